"""Where each figure stands in the kernel's rows of numbers.

A fan's state is one row of float64, so that it can be saved as plain bytes and a batch of 2,000 fans is one array. The
numbers here are the only place that knows the order; whoever changes them raises `STATE_FORMAT`, and states saved in an
older form are then rebuilt from stored readings instead of being misread.
"""

from monitor.watch.table import KERNEL_CONDITIONS

STATE_FORMAT = 2
"""Raised with every change of the layout below or of what a figure means."""

LEARNED_INTERVALS = 9
"""A logger's period is the median of so many first intervals."""
STARTS_KEPT = 40
"""Times of starts that are kept; more than NEMA MG 10 allows any motor in an hour."""
SLOTS_KEPT = 10
"""Closed slots of 30 s: the last five minutes."""
HOURS_KEPT = 25
"""The last 24 hours and the one in progress."""
FIVES_KEPT = 6
"""Closed slots of 5 min: half an hour."""

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
RUN_LAST_AMPS = 22  # highest leg of the last running reading
V12 = 23  # smoothed line-to-line voltages
V23 = 24
V31 = 25
VOLTS_MS = 26  # time of the newest row that went into them
UNBALANCE = 27  # voltage unbalance [%] of the smoothed voltages, as last measured
UNBALANCE_MS = 28  # ... and when
CALLED = 29  # whether the control wants the fan, as last told
CALLED_MS = 30  # ... and when

HELD_L1 = 31  # averaging loggers: the legs of the row before, judged when the next has come
HELD_FIRST = 34  # 1: that row was the first of its run

MOTOR_HEAT = 35  # thermal images
DEVICE_HEAT = 36
MOTOR_X2 = 37  # square of what the image sees since the newest row with amps
DEVICE_X2 = 38
IMAGE_RUNNING = 39  # 1: that row was a running one
IMAGE_INRUSH = 40  # 1: it was above twice full-load amps
ASSUMED_MS = 41  # when the images began from an assumption
HOT = 42  # 1: the motor image reached 1 while this overload stands

LOST_MS = 43  # newest running row that shows a lost phase
CLAMP_ROWS = 44  # rows in a row that show a clamp off
HIGH_COUNT = 45  # rows since the start above twice full-load amps, without one below
IMPOSSIBLE_MS = 46  # since when the readings are impossible
SAME_MS = 47  # since when all channels are unchanged
SAME_ROWS = 48
SAME_L1 = 49  # ... and what they were
SAME_V12 = 52
LEG_SAME_MS = 55  # since when each leg is unchanged
LEG_SAME_ROWS = 58
LEG_LEAST = 61  # for each leg: the least and the greatest of every leg since (3 x 3)
LEG_GREATEST = 70

STARTS_HOUR = 79  # starts in the last 60 min
STARTS_EXPIRE_MS = 80  # when the oldest of them no longer counts
STARTS_NEXT = 81  # place of the ring to be written next
FIRST_START = 82

ACTIVE_MEAN = 122  # active amps, exponential mean over 24 h of running
ACTIVE_S = 123  # running time in it

SLOT = 124  # number of the open slot of 30 s
SLOT_UNTIL_MS = 125  # ... and when it ends
SLOT_CARRIED = 126
SLOT_RUN_S = 127
SLOT_LEGS = 128  # readings in the sums
SLOT_SUM_L1 = 129
FIRST_SLOT = 132  # the ring: number, carried, running time, three legs
SLOT_FIELDS = 6
FIRST_HOUR = FIRST_SLOT + SLOT_FIELDS * SLOTS_KEPT  # the ring: number, carried, running time
HOUR_FIELDS = 3

WORN_SINCE = FIRST_HOUR + HOUR_FIELDS * HOURS_KEPT  # which setting, pitch and motor the proven current belongs to
FIVE_MIN = WORN_SINCE + 1  # number of the open slot of 5 min
FIVE_UNTIL_MS = WORN_SINCE + 2  # ... and when it ends
FIVE_SUM = WORN_SINCE + 3
FIVE_COUNT = WORN_SINCE + 4
FIRST_FIVE = WORN_SINCE + 5  # the ring: number, mean of the highest leg
FIVE_FIELDS = 2
HALF_DAY = FIRST_FIVE + FIVE_FIELDS * FIVES_KEPT
HALF_DAY_MAX = HALF_DAY + 1
TOP1 = HALF_DAY + 2  # the three greatest of past half days
TOP3 = HALF_DAY + 4

# Exponentials of the step that nearly always comes again: kept beside what they were worked from.
STEP_S = HALF_DAY + 5  # between two running readings ...
STEP_TAU = STEP_S + 1
STEP_MOTOR = STEP_S + 2
STEP_DEVICE = STEP_S + 3
VOLTS_STEP_MS = STEP_S + 4  # ... between two rows with volts ...
VOLTS_KEEP = STEP_S + 5
ACTIVE_STEP_S = STEP_S + 6  # ... and of the mean of active amps
ACTIVE_TAKE = STEP_S + 7

BUSY = STEP_S + 8  # conditions that are not NORMAL
FIRST_CONDITION = STEP_S + 9

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


def place_of(condition: str) -> int:
    """Where a kernel condition's part of the state begins."""
    return FIRST_CONDITION + CONDITION_FIELDS * [row.id for row in KERNEL_CONDITIONS].index(condition)


# --- one row of resolved limits --------------------------------------------------------------------------------
LIMIT_EPOCH = 0  # counts versions marked "motor changed"
FULL_LOAD_AMPS = 1
FULL_LIMIT = 2  # full-load amps x service factor, or the nameplate's service-factor amps
PHASES = 3
RATED_VOLTS = 4
RUNNING_ABOVE = 5  # highest leg above which the fan runs [A]
GIVEN_PERIOD_MS = 6  # NaN: to be learned
DEVICE_KNOWN = 7  # 1: a setting is registered, and it is that of a device whose trip point is known
DEVICE_SETTING = 8  # the setting [A], else the full limit
TRIP_RATIO = 9
DEVICE_TAU_S = 10
MAGNETISING = 11  # magnetising current at rated voltage [A]
AVERAGING = 12  # 1: a reading is the mean over the period before it
CONTINUOUS = 13  # 1: whenever it stops somebody should have stopped it
LIMIT_WORN_SINCE = 14  # counts versions with another setting, pitch or motor
RAISED_AT = 15  # setpoint of each condition once more, side by side; infinite where it is not in use
FIRST_LIMIT = RAISED_AT + len(KERNEL_CONDITIONS)

IN_USE = 0  # 1: the condition is worked for this fan
SETPOINT = 1
CLEARS = 2
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
HOTTER = 6  # an overload stands, and the motor image has reached 1

# --- bits beside each judged row -------------------------------------------------------------------------------
IS_RUNNING = 1
IS_SETTLED = 2  # running, and past the first minute of the run
UNBALANCE_OLD = 4  # the derating factor is held from an earlier measurement
UNBALANCE_UNKNOWN = 8  # no unbalance measured, or not for a day: the limit is not adjusted
NOT_FED = 16  # not newer than the fan's newest: left alone
AFTER_GAP = 32  # more than three periods since the row before
DEVICE_ASSUMED = 64  # the device image began from an assumption less than 3 time constants ago
MOTOR_ASSUMED = 128  # the same of the motor image

# --- what speaks against readings: the measure of logger-suspect --------------------------------------------------
FROZEN = 1  # all channels unchanged
STUCK = 2  # one leg unchanged while others move
IMPOSSIBLE = 3  # one leg more than the others together, or running without voltage
CLAMP_OFF = 4  # one leg zero, the others unchanged
CLOCK_OFF = 5  # its clock is off; found by the clock of the service, never by the kernel
