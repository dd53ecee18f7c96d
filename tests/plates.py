"""A nameplate file that several rooms' tests begin with."""

TEN_HP = """\
[motor]
rated_power_hp = 10
rated_voltage = 460
phases = 3
full_load_amps = 13.2
service_factor = 1.15
power_factor = 0.83
[protection]
type = "overload relay"
trip_class = 10
setting_amps = 13.2
[fan]
blade_pitch_degrees = 21
available_pitch_degrees = [13, 15, 17, 18, 19, 21]
minimum_pitch_degrees = 13
coldest_expected_c = -5
control = "continuous"
"""
"""It ends within `[fan]`: more of the fan may follow, and other tables after it."""
