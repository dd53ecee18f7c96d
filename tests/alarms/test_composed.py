"""Every notice that is not of one alarm, as its reader gets it, compared letter for letter with composed/*.txt.

After a wanted change write them anew, WRITE_NOTICES=1 pytest tests/alarms/test_composed.py, and read what differs.
"""

from __future__ import annotations

import json
import os
import re
from pathlib import Path
from typing import Any

import notices_of_several
import notices_of_the_day
import notices_of_the_service
import pytest

from monitor.alarms.characters import outside, septets

COMPOSED = Path(__file__).parent / "composed"
ROOMS = (notices_of_several, notices_of_the_day, notices_of_the_service)
STORIES = [tell for room in ROOMS for tell in room.STORIES]


@pytest.mark.parametrize("tell", STORIES, ids=lambda tell: tell.__name__)
def test_it_reads_as_agreed(tell: Any) -> None:
    told = tell()
    text = f"SUBJECT  {told.subject}\nSHORT    {told.short}\n         ({septets(told.short)} characters)\n\n{told.long}"
    path = COMPOSED / f"{tell.__name__}.txt"
    if os.environ.get("WRITE_NOTICES"):
        COMPOSED.mkdir(exist_ok=True)
        path.write_text(text, "utf-8")
    assert text == path.read_text("utf-8")
    assert 0 < septets(told.short) <= 300 and 0 < len(told.subject) <= 120
    assert not outside(re.sub(r"https?://\S+", "", told.short)), "characters that would double its price"
    assert told.short.isprintable() and told.subject.isprintable()
    assert not re.search(r"None|\bnan\b", told.short + told.long)
    assert json.loads(json.dumps(told.data, allow_nan=False)) == told.data, "plain JSON"


def test_no_text_of_another_time_is_left_behind() -> None:
    assert {path.stem for path in COMPOSED.glob("*.txt")} == {tell.__name__ for tell in STORIES}
