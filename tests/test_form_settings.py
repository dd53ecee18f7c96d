"""[[intake.form]] of the settings file: taken as written, and every fault told at once with its place."""

from __future__ import annotations

from pathlib import Path

import pytest

from monitor import settings
from monitor.errors import ConfigError

HERE = Path("monitor.toml")


def faults(text: str) -> list[str]:
    with pytest.raises(ConfigError) as raised:
        settings.parse(text, HERE)
    return [str(fault) for fault in raised.value.faults]


FORM = '[[intake.form]]\nname = "a"\ntopic = "a/{site}/{fan}"\n'
SINGLE = '[[intake.form]]\nname = "a"\ntopic = "a/{site}/{fan}/{channel}"\n'
PATHS = "a path such as motor.amps.0: keys and places in lists, with dots between"
SEVERAL = "seconds above 0: a message carries one channel, a reading needs several"
TOPICS = "a topic whose levels are words, {site}, {fan}, {channel} (each once), + for any word, # last for any rest"


def test_a_form_is_taken_as_written() -> None:
    text = f"""
    [sites.home]
    {FORM}
    time = "at.0"
    time_format = "milliseconds"
    amps = ["i.1", "i.2", "i.3"]
    amps_factor = 0.001
    volts = "u"
    volts_factor = 1000
    ambient_f = "air"
    called = "run"
    assemble_seconds = 2
    [[intake.form]]
    name = "b"
    topic = "b/+/{{channel}}/#"
    site = "home"
    fan = "bin-1"
    channels = {{ x = "l1", y = "ambient_f" }}
    assemble_seconds = 2.5
    """
    first, second = settings.parse(text, HERE).intake.form
    assert (first.amps, first.volts, first.amps_factor, first.volts_factor) == (
        ("i.1", "i.2", "i.3"),
        ("u",),
        0.001,
        1000,
    )
    assert (first.mqtt_filter, second.mqtt_filter) == ("a/+/+", "b/+/+/#")
    assert second.channels == {"x": "l1", "y": "ambient_f"} and second.assemble_seconds == 2.5


WRONG_FORMS = [
    ('[[intake.form]]\ntopic = "a/{site}/{fan}"\namps = "i"',
     ["intake.form.0.name: expected a short name for this form, found nothing"]),
    ('[[intake.form]]\nname = "a"\namps = "i"',
     ["intake.form.0.topic: expected a topic with levels such as {site} and {fan}, found nothing"]),
    *((f'[[intake.form]]\nname = "a"\namps = "i"\ntopic = "{topic}"\nsite = "home"\nfan = "x"',
       [f'intake.form.0.topic: expected {TOPICS}, found "{topic}"'])
      for topic in ("", "a/#/b", "a/b#", "a/{bin}", "a/x{fan}", "$SYS/a", "a/+b")),
    (FORM.replace("{fan}", "{site}") + 'fan = "x"\namps = "i"',
     [f'intake.form.0.topic: expected {TOPICS}, found "a/{{site}}/{{site}}"',
      'intake.form.0.site: expected a name here, or {site} in the topic, found neither'][:1]),
    (FORM,
     ["intake.form.0: expected amps, volts, ambient_c, ambient_f, called, or channel, channels, found none of them"]),
    (FORM + 'amps = ["a", "b"]', ["intake.form.0.amps: expected one path or three, found 2"]),
    (FORM + 'amps = "a..b"',
     [f'intake.form.0.amps.0: expected {PATHS}, found "a..b"']),
    (FORM + 'amps = 5', ["intake.form.0.amps: expected the path of the amps, or a list of three: L1, L2, L3, found 5"]),
    (FORM + 'amps = "i"\namps_factor = 0',
     ["intake.form.0.amps_factor: expected a factor above 0, such as 0.001 for mA, found 0"]),
    (FORM + 'amps = "i"\namp_factor = 1',
     ['intake.form.0.amp_factor: expected a known key (did you mean amps_factor?), found "amp_factor"']),
    (FORM + 'amps = "i"\nsite = "home"',
     ["intake.form.0.site: expected a name here, or {site} in the topic, found both"]),
    (FORM.replace("{fan}", "x") + 'amps = "i"',
     ["intake.form.0.fan: expected a name here, or {fan} in the topic, found neither"]),
    (FORM.replace("{fan}", "x") + 'amps = "i"\nfan = "Bin 1"',
     ['intake.form.0.fan: expected a name of small letters, digits, dashes, dots, at most 64, found "Bin 1"']),
    (FORM + 'amps = "i"\nfans = { A1 = "Bin 1" }',
     ['intake.form.0.fans.A1: expected a name of small letters, digits, dashes, dots, at most 64, found "Bin 1"']),
    (FORM.replace("{fan}", "x") + 'amps = "i"\nfan = "x"\nfans = { A = "x" }',
     ["intake.form.0.fans: expected {fan} in the topic, found none"]),
    (FORM + 'time_format = "seconds"\namps = "i"',
     ["intake.form.0.time: expected the path of the time, to go with time_format, found nothing"]),
    (FORM + 'time = "t"\ntime_format = "s"\namps = "i"',
     ['intake.form.0.time_format: expected "rfc3339", "seconds" or "milliseconds" (since 1970), found "s"']),
    (FORM + 'amps = "i"\nambient_c = "c"\nambient_f = "f"',
     ["intake.form.0.ambient_f: expected one of ambient_c and ambient_f, found both"]),
    (FORM + 'amps = "i"\nchannel = "l1"', ["intake.form.0.channel: expected no channel beside amps, found both"]),
    (FORM + 'channel = "L1"',
     ['intake.form.0.channel: expected l1, l2, l3, v12, v23, v31, ambient, ambient_f or called, found "L1"']),
    (FORM + 'channel = "l1"\ntime = "t"',
     ['intake.form.0.time: expected no path in a payload that is a number; or value, its path, found "t"']),
    (FORM + 'amps = "i"\nvalue = "v"',
     ["intake.form.0.value: expected channel or channels to go with it, found nothing"]),
    (FORM + 'channel = "l2"',
     [f"intake.form.0.assemble_seconds: expected {SEVERAL}, found 0"]),
    (SINGLE + 'channels = { a = "l1", b = "ambient" }',
     [f"intake.form.0.assemble_seconds: expected {SEVERAL}, found 0"]),
    (SINGLE + 'amps = "i"', ["intake.form.0.channels: expected a table of what stands in the topic, found nothing"]),
    (FORM + 'channels = { a = "l1" }',
     ["intake.form.0.topic: expected {channel} where the channels stand, found nothing"]),
    (FORM + 'amps = "i"\nreadings = "r"\nassemble_seconds = 1',
     ["intake.form.0.assemble_seconds: expected 0 where a payload holds a list of readings, found 1"]),
    (FORM + 'amps = "i"\nassemble_seconds = 61',
     ["intake.form.0.assemble_seconds: expected seconds from 0 to 60, found 61"]),
    (FORM + 'amps = "i"\n' + FORM + 'amps = "i"', ['intake.form.1.name: expected a name no other form has, found "a"']),
    ('[sites.home]\n[[intake.form]]\nname = "a"\ntopic = "a/{fan}"\nsite = "away"\namps = "i"',
     ['intake.form.0.site: expected a site that stands under [sites.NAME], found "away"']),
    *((f'[[intake.form]]\nname = "a"\ntopic = "{topic}"\nsite = "home"\nfan = "x"\namps = "i"',
       [f'intake.form.0.topic: expected a topic that is not one of ours under amps/v1, found "{topic}"'])
      for topic in ("#", "amps/#", "amps/v1/#", "+/+/+/+/+", "amps/v1/a/b/c", "amps/v1/a/b/c/#", "amps/+/a/b/state")),
    ("[intake]\nform = 5", ["intake.form: expected [[intake.form]] tables, found 5"]),
    ("[intake]\nform = [5]", ["intake.form.0: expected [[intake.form]] tables, found 5"]),
    ('[[intake.form]]\nname = ""\ntopic = "a/#/b"\nsite = 5\namps = ["a", "b"]\ntime_format = "x"',
     ["intake.form.0.name: expected a short name for this form, found \"\"",
      f'intake.form.0.topic: expected {TOPICS}, found "a/#/b"',
      "intake.form.0.site: expected the name of the site, found 5",
      'intake.form.0.time_format: expected "rfc3339", "seconds" or "milliseconds" (since 1970), found "x"',
      "intake.form.0.fan: expected a name here, or {fan} in the topic, found neither",
      "intake.form.0.amps: expected one path or three, found 2",
      "intake.form.0.time: expected the path of the time, to go with time_format, found nothing"]),
]  # fmt: skip


@pytest.mark.parametrize(("text", "said"), WRONG_FORMS, ids=[text.replace("\n", " ")[14:60] for text, _ in WRONG_FORMS])
def test_every_fault_of_a_form_is_told_with_its_place(text: str, said: list[str]) -> None:
    assert faults(text) == said


@pytest.mark.parametrize(
    "topic", ["amps/v2/#", "amps/v1/a", "amps/v1/a/b", "amps/v1/a/b/c/d", "+/+", "amps/v1/a/b/c/+/#"]
)
def test_topics_beside_ours_are_fine(topic: str) -> None:
    text = f'[[intake.form]]\nname = "a"\ntopic = "{topic}"\nsite = "home"\nfan = "x"\namps = "i"'
    assert settings.parse(text, HERE).intake.form[0].topic == topic
