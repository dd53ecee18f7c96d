"""The diagram of states, written a second time by hand: it does not read TRANSITIONS to know what to expect."""

from __future__ import annotations

import pytest

from monitor.alarms.states import SUPPRESSIONS, TRANSITIONS, Cause, State, Suppression

# One line each: from, cause, to. ANSI/ISA-18.2 and IEC 62682; N normal, U unacknowledged, A acknowledged,
# R returned-unacknowledged.
DIAGRAM = """
    N  raised                     U
    U  raised at higher priority  U
    U  grown worse                U
    U  told again                 U
    U  acknowledged               A
    U  returned                   R
    U  no longer watched          N
    U  raised                     U
    U  returned, latched          U
    U  acknowledged, returned before  N
    A  raised at higher priority  U
    A  grown worse                U
    A  returned                   N
    A  no longer watched          N
    A  planned stop over          U
    A  planned stop withdrawn     U
    R  raised                     U
    R  acknowledged               N
"""
LETTERS = {"N": "NORMAL", "U": "UNACKNOWLEDGED", "A": "ACKNOWLEDGED", "R": "RETURNED_UNACKNOWLEDGED"}

# - none, S shelved, D suppressed by design, O out of service.
SUPPRESSED = """
    -  shelved                 S
    -  planned stop            D
    -  removed from service    O
    -  suppressed by design    D
    S  shelved                 S
    S  planned stop            D
    S  removed from service    O
    S  unshelved               -
    S  time up                 -
    D  shelved                 S
    D  planned stop            D
    D  removed from service    O
    D  planned stop withdrawn  -
    D  planned stop over       -
    D  suppressed by design    D
    D  reason over             -
    O  removed from service    O
    O  returned to service     -
    O  time up                 -
"""
SUPPRESSION_LETTERS = {"-": None, "S": "SHELVED", "D": "SUPPRESSED_BY_DESIGN", "O": "OUT_OF_SERVICE"}


def ways(diagram: str) -> dict[tuple[str, str], str]:
    rows = [line.split() for line in diagram.strip().splitlines()]
    return {(row[0], " ".join(row[1:-1])): row[-1] for row in rows}


@pytest.mark.parametrize("letter", LETTERS)
@pytest.mark.parametrize("cause", list(Cause))
def test_every_way_between_states(letter: str, cause: Cause) -> None:
    expected = ways(DIAGRAM).get((letter, cause.value))
    found = TRANSITIONS[State(LETTERS[letter])].get(cause)
    assert (found.value if found else None) == (LETTERS[expected] if expected else None)


@pytest.mark.parametrize("letter", SUPPRESSION_LETTERS)
@pytest.mark.parametrize("cause", list(Cause))
def test_every_way_between_suppressions(letter: str, cause: Cause) -> None:
    name = SUPPRESSION_LETTERS[letter]
    table = SUPPRESSIONS[Suppression(name) if name else None]
    expected = ways(SUPPRESSED).get((letter, cause.value))
    assert (cause in table) == (expected is not None)
    if expected is not None:
        found = table[cause]
        assert (found.value if found else None) == SUPPRESSION_LETTERS[expected]


def test_the_diagrams_are_read_whole() -> None:
    assert (len(ways(DIAGRAM)), len(ways(SUPPRESSED))) == (18, 19)
    causes = {cause.value for cause in Cause}
    assert {cause for _, cause in ways(DIAGRAM) | ways(SUPPRESSED)} == causes


def test_only_two_states_stand() -> None:
    assert [state.value for state in State if state.stands] == ["UNACKNOWLEDGED", "ACKNOWLEDGED"]
