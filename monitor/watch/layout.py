"""Where each figure stands in the kernel's rows of numbers.

A fan's state is one row of float64, so that it can be saved as plain bytes and a batch of 2,000 fans is one array. The
numbers here are the only place that knows the order; whoever changes them raises `STATE_FORMAT`, and states saved in an
older form are then rebuilt from stored readings instead of being misread.
"""

from monitor.watch.table import KERNEL_CONDITIONS

STATE_FORMAT = 1
"""Raised with every change of the layout below or of what a figure means."""

LEARNED_INTERVALS = 9
"""A logger's period is the median of so many first intervals."""

# --- one fan's state -------------------------------------------------------------------------------------------
EPOCH = 0  # which motor the state belongs to: counts the register versions marked "motor changed"
LAST_MS = 1  # time of the newest row fed
PERIOD_MS = 2  # the period in use: given, else learned, else 60 s
INTERVALS = 3  # how many of the first intervals are known
FIRST_INTERVAL = 4  # ... and the intervals themselves, nine of them
RUNNING = 13  # 1 running, 0 stopped, -1 not seen yet
AMPS_MS = 14  # time of the newest row with usable amps
RUN_START_MS = 15  # first running reading of this run
RUN_START_SEEN = 16  # 1: a stopped reading stood right before it
RUN_LAST_MS = 17  # last running reading
RUN_ENDED_MS = 18  # first stopped reading after a run, else NaN
RUN_PEAK_AMPS = 19  # highest leg of the run, its first 10 s left out
RUN_PEAK_RATIO = 20  # highest load ratio of the run
RUN_GAP_MS = 21  # time within the run that no reading covers
V12 = 22  # smoothed line-to-line voltages
V23 = 23
V31 = 24
VOLTS_MS = 25  # time of the newest row that went into them
UNBALANCE = 26  # voltage unbalance [%] of the smoothed voltages, as last measured
UNBALANCE_MS = 27  # ... and when
FIRST_CONDITION = 28

# --- each condition's part of it -------------------------------------------------------------------------------
PHASE = 0  # one of the four below
ONSET_MS = 1  # the reading at which the condition began: what a person is told
TIMER_MS = 2  # start of the running delay; moved on by what gaps must not count
SEEN_MS = 3  # newest row at which the measure was known
PEAK = 4  # greatest measure since the onset
CONDITION_FIELDS = 5

NORMAL = 0  # phase: not there
ON_DELAY = 1  # there, not yet for long enough
STANDING = 2  # raised
OFF_DELAY = 3  # raised, gone, not yet for long enough

STATE_FIELDS = FIRST_CONDITION + CONDITION_FIELDS * len(KERNEL_CONDITIONS)

# --- one row of resolved limits --------------------------------------------------------------------------------
LIMIT_EPOCH = 0  # counts versions marked "motor changed"
FULL_LOAD_AMPS = 1
FULL_LIMIT = 2  # full-load amps x service factor, or the nameplate's service-factor amps
PHASES = 3
RATED_VOLTS = 4
RUNNING_ABOVE = 5  # highest leg above which the fan runs [A]
GIVEN_PERIOD_MS = 6  # NaN: to be learned
FIRST_LIMIT = 7

IN_USE = 0  # 1: the condition is worked for this fan
SETPOINT = 1
CLEARS_BELOW = 2
ON_DELAY_MS = 3
OFF_DELAY_MS = 4
LIMIT_FIELDS = 5

LIMITS_FIELDS = FIRST_LIMIT + LIMIT_FIELDS * len(KERNEL_CONDITIONS)

# --- what a change says ----------------------------------------------------------------------------------------
RAISED = 1
CLEARED = 2
SUPERSEDED = 3  # gone because a stronger condition says it, the condition was turned off, or the motor was changed
RUN_STARTED = 4
RUN_ENDED = 5

# --- bits beside each judged row -------------------------------------------------------------------------------
IS_RUNNING = 1
IS_SETTLED = 2  # running, and past the first minute of the run
UNBALANCE_OLD = 4  # the derating factor is held from an earlier measurement
UNBALANCE_UNKNOWN = 8  # no unbalance measured, or not for a day: the limit is not adjusted
NOT_FED = 16  # not newer than the fan's newest: left alone
AFTER_GAP = 32  # more than three periods since the row before
