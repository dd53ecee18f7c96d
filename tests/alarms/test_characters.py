"""Characters of an SMS and names that fit."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from monitor.alarms.characters import DEFAULT, EXTENSION, clean, fold, outside, septets, shorten


def test_the_alphabet_has_its_printed_size() -> None:
    """3GPP TS 23.038 clause 6.2.1 (from memory): 128 places, of which one is the escape; 10 in the extension table
    with the form feed."""
    assert len(DEFAULT) == 127
    assert len(EXTENSION) == 10
    assert not DEFAULT & EXTENSION
    # Lower case c with cedilla is not in it, upper case is; the euro sign costs two.
    assert "Ç" in DEFAULT
    assert "ç" not in DEFAULT
    assert septets("€") == 2


@pytest.mark.parametrize(
    ("given_text", "expected"),
    [("François", "Francois"), ("Søren", "Søren"), ("Łąka", "Laka"), ("20 °C", "20 degC"), ("½", "½"),
     ("Поле 3", "Поле 3"), ("e\u0301", "é"), ("a~b", "a-b")],
)  # fmt: skip
def test_fold(given_text: str, expected: str) -> None:
    assert fold(given_text) == expected


@given(st.text())
def test_fold_never_makes_it_worse(text: str) -> None:
    assert outside(fold(text)) <= outside(text) | set(fold(text))
    assert not set(fold(text)) & EXTENSION - {"€", "\f"}
    assert fold(fold(text)) == fold(text)


@given(st.text())
def test_clean_is_one_printable_line(text: str) -> None:
    assert clean(text).isprintable()
    clean(text).encode("utf-8")


@settings(max_examples=1000)
@given(st.text("ab 0123456789.,", max_size=80), st.integers(6, 40))
def test_a_shortened_name_fits_and_cuts_no_number(name: str, most: int) -> None:
    cut = shorten(name, most)
    assert len(cut) <= most
    numbers = [found.span() for found in re.finditer(r"[0-9]+([.,]+[0-9]+)*", name)]

    def honest(mark: int) -> bool:
        """Whether the two dots here stand for a middle left out between numbers, not within one."""
        head, tail = cut[:mark], cut[mark + 2 :]
        ends = (len(head), len(name) - len(tail))
        inside = any(start < place < end for place in ends for start, end in numbers)
        return name.startswith(head) and name.endswith(tail) and not inside

    marks = [mark for mark in range(len(cut)) if cut.startswith("..", mark)]
    assert cut == name or any(map(honest, marks))


def test_a_shortened_name_keeps_its_number_in_the_end() -> None:
    assert shorten("The long row of bins behind the old weighbridge, fan 12", 30).endswith("fan 12")
