"""Currents and settings of the National Electrical Code, for plausibility only.

Table currents size conductors and switches (430.6(A)(1)); overload devices go by the nameplate (430.6(A)(2)). Nothing
here is an instruction to set a device: that is a licensed electrician's work.
"""

from __future__ import annotations

from bisect import bisect_left

THREE_PHASE_SOURCE = "NFPA 70 (NEC) 2023 table 430.250"
SINGLE_PHASE_SOURCE = "NFPA 70 (NEC) 2023 table 430.248"
OVERLOAD_SOURCE = "NFPA 70 (NEC) 2023 section 430.32(A)(1)"
PROTECTOR_SOURCE = "NFPA 70 (NEC) 2023 section 430.32(A)(2)"

Row = tuple[float | None, ...]

THREE_PHASE_VOLTS = (115.0, 200.0, 208.0, 230.0, 460.0, 575.0)
THREE_PHASE_AMPS: dict[float, Row] = {
    1.0: (8.4, 4.8, 4.6, 4.2, 2.1, 1.7),
    1.5: (12.0, 6.9, 6.6, 6.0, 3.0, 2.4),
    2.0: (13.6, 7.8, 7.5, 6.8, 3.4, 2.7),
    3.0: (None, 11.0, 10.6, 9.6, 4.8, 3.9),
    5.0: (None, 17.5, 16.7, 15.2, 7.6, 6.1),
    7.5: (None, 25.3, 24.2, 22.0, 11.0, 9.0),
    10.0: (None, 32.2, 30.8, 28.0, 14.0, 11.0),
    15.0: (None, 48.3, 46.2, 42.0, 21.0, 17.0),
    20.0: (None, 62.1, 59.4, 54.0, 27.0, 22.0),
    25.0: (None, 78.2, 74.8, 68.0, 34.0, 27.0),
    30.0: (None, 92.0, 88.0, 80.0, 40.0, 32.0),
    40.0: (None, 120.0, 114.0, 104.0, 52.0, 41.0),
    50.0: (None, 150.0, 143.0, 130.0, 65.0, 52.0),
}
"""hp -> full-load amps of squirrel-cage motors of usual speed and torque, by column of THREE_PHASE_VOLTS."""

SINGLE_PHASE_VOLTS = (115.0, 200.0, 208.0, 230.0)
SINGLE_PHASE_AMPS: dict[float, Row] = {
    0.5: (9.8, 5.6, 5.4, 4.9),
    0.75: (13.8, 7.9, 7.6, 6.9),
    1.0: (16.0, 9.2, 8.8, 8.0),
    1.5: (20.0, 11.5, 11.0, 10.0),
    2.0: (24.0, 13.8, 13.2, 12.0),
    3.0: (34.0, 19.6, 18.7, 17.0),
    5.0: (56.0, 32.2, 30.8, 28.0),
    7.5: (80.0, 46.0, 44.0, 40.0),
    10.0: (100.0, 57.5, 55.0, 50.0),
}
"""hp -> full-load amps, by column of SINGLE_PHASE_VOLTS. The table stops at 10 hp."""

COLUMN_REACH = 0.05
"""A column stands for nameplates this near to it; 220 to 240 V belongs to 230 V."""


def table_amps(phases: int, rated_power_hp: float, rated_voltage: float) -> float | None:
    """Full-load current [A] of the code's table; straight lines between rows; None outside the table.

    Parameters
    ----------
    phases : 1 or 3
    rated_power_hp : [hp]
    rated_voltage : nameplate voltage [V]; the nearest column counts if within 5 %

    Examples
    --------
    >>> table_amps(3, 10, 460), table_amps(1, 7.5, 240), table_amps(1, 15, 230), table_amps(3, 10, 400)
    (14.0, 40.0, None, None)

    References
    ----------
    NFPA 70 (NEC) 2023, tables 430.248 (single-phase) and 430.250 (three-phase).
    """
    columns, rows = (THREE_PHASE_VOLTS, THREE_PHASE_AMPS) if phases == 3 else (SINGLE_PHASE_VOLTS, SINGLE_PHASE_AMPS)
    column = min(range(len(columns)), key=lambda number: abs(columns[number] - rated_voltage))
    if abs(columns[column] - rated_voltage) > COLUMN_REACH * columns[column]:
        return None
    powers = sorted(rows)
    if not powers[0] <= rated_power_hp <= powers[-1]:
        return None
    above = bisect_left(powers, rated_power_hp)
    high = rows[powers[above]][column]
    if powers[above] == rated_power_hp or high is None:
        return high
    low = rows[powers[above - 1]][column]
    if low is None:
        return None
    share = (rated_power_hp - powers[above - 1]) / (powers[above] - powers[above - 1])
    return low + (high - low) * share


def greatest_setting(full_load_amps: float, service_factor: float, *, marked_rise_40_c: bool = False) -> float:
    """Greatest setting of a separate overload device [A]: 125 or 115 % of the nameplate's full-load amps.

    The code's higher figure for a motor that will not start (430.32(C)) is left out on purpose: a fan that has run for
    years has started, and a higher setting is no remedy.

    Parameters
    ----------
    full_load_amps : nameplate current [A], not the table's
    service_factor : as marked; 125 % from 1.15 up
    marked_rise_40_c : the nameplate marks a temperature rise of 40 degrees C or less; 125 % then, too

    Examples
    --------
    >>> greatest_setting(24.0, 1.15), greatest_setting(20.0, 1.0)
    (30.0, 23.0)

    References
    ----------
    NFPA 70 (NEC) 2023, sections 430.6(A)(2) and 430.32(A)(1).
    """
    return full_load_amps * greatest_setting_share(service_factor, marked_rise_40_c=marked_rise_40_c)


def greatest_setting_share(service_factor: float, *, marked_rise_40_c: bool = False) -> float:
    """Greatest setting of a separate overload device over full-load amps.

    Examples
    --------
    >>> greatest_setting_share(1.15), greatest_setting_share(1.1), greatest_setting_share(1.0, marked_rise_40_c=True)
    (1.25, 1.15, 1.25)

    References
    ----------
    NFPA 70 (NEC) 2023, section 430.32(A)(1).
    """
    return 1.25 if service_factor >= 1.15 or marked_rise_40_c else 1.15


def greatest_protector_trip(table_current: float) -> float:
    """Greatest ultimate trip current [A] of a protector built into the motor, by the TABLE current [A].

    Examples
    --------
    >>> [round(greatest_protector_trip(amps), 2) for amps in (8.0, 11.0, 42.0)]
    [13.6, 17.16, 58.8]

    References
    ----------
    NFPA 70 (NEC) 2023, section 430.32(A)(2) (170 % seen in print; 156 and 140 % from memory).
    """
    if table_current <= 9.0:
        return 1.70 * table_current
    return (1.56 if table_current <= 20.0 else 1.40) * table_current
