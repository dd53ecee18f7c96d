"""Makes the builders beside it importable by name (tests are no packages)."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))
