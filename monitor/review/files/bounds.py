"""How much of a file is read: what is more ends in words, soon and in little memory."""

from __future__ import annotations

from typing import Final

SAMPLE_BYTES: Final = 256 * 1024
"""So much of the beginning is looked at to find out how a file is written."""
SPOTS, SPOT_BYTES = 16, 4 * 1024
"""And so many spots of so much further on, where it can be gone to: days over 12 that do not stand at the beginning."""
BLOCK_BYTES: Final = 8 * 1024 * 1024
"""Read at once; a few of them are on their way at a time."""
LONGEST_LINE: Final = 1024 * 1024
"""A longer line is no line of a log."""
MOST_COLUMNS: Final = 2_000
"""A power logger with everything switched on writes some hundreds."""
MOST_LINES: Final = 20_000_000
"""Seven months at 1 s; a line takes 84 bytes of memory."""
MOST_UNPACKED: Final = 8 * 1024**3
"""Bytes that a packed file may hold ..."""
UNPACKED_RATIO, RATIO_COUNTS_FROM = 250, 64 * 1024 * 1024
"""... and how many times its own size, once it is more than this: real logs pack 5 to 50 times (tried on invented
ones), a file made to fill memory a thousand times and more."""
MOST_PREAMBLE: Final = 1_000
"""Lines before the first reading."""

MAX_AMPS, MAX_VOLTS = 2_000.0, 1_000.0
MIN_AMBIENT_C, MAX_AMBIENT_C = -60.0, 80.0
"""As for readings by MQTT."""
