"""Stand files that name an encoder on either shaft: two ports, or one board that latches both counts."""

from __future__ import annotations

from pathlib import Path

import pytest
from daemon.virtual_time import CONFIGS, load_box
from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.setup.same import accepted, differences
from lashmap_daemon.setup.stand_file import Stand, load_stand
from lashmap_daemon.story import events
from lashmap_daemon.story.recorded import ENCODER, INDICATOR, PINION_ENCODER, WITH_PINION, Setup

INSTRUMENTS = CONFIGS / "instruments"
HEAD = f"""[stand]
name = "Invented"
[indicator]
port = "/dev/a"
profile = "{INSTRUMENTS / "indicator-line-mm.toml"}"
resolution_mm = 0.0001
"""
PAIR = r"""kind = "counter board"
pattern = '(?P<count>[+-]?\d+),(?P<second_count>[+-]?\d+)'
wraps_at = 65536
"""
ONE = f'profile = "{INSTRUMENTS / "encoder-line.toml"}"\ncounts_per_turn = 20000\n'
TWO = ONE.replace(str(INSTRUMENTS / "encoder-line.toml"), "pair.toml")
B, C = 'port = "/dev/b"\n', 'port = "/dev/c"\n'
APART = f"[encoder.gear]\n{B}{ONE}[encoder.pinion]\n{C}{ONE}sense = -1\n"
LATCHED = f"[encoder.gear]\n{B}{TWO}number = 2\n[encoder.pinion]\n{B}{TWO}number = 1\n"


def stand_of(folder: Path, encoders: str, head: str = HEAD) -> Stand:
    (folder / "pair.toml").write_text(PAIR)
    (folder / "stand.toml").write_text(head + encoders)
    return load_stand(folder / "stand.toml")


def test_two_encoders_at_two_ports(tmp_path: Path) -> None:
    stand = stand_of(tmp_path, APART).recorded()
    assert stand.channels == stand.wires == (INDICATOR, ENCODER, PINION_ENCODER)
    assert not stand.is_latched
    assert [stand.port(name) for name in stand.channels] == ["/dev/a", "/dev/b", "/dev/c"]
    assert stand.encoder is not None
    assert stand.pinion_encoder is not None
    assert (stand.encoder.shaft, stand.pinion_encoder.shaft) == ("gear", "pinion")
    assert (stand.encoder.sense, stand.pinion_encoder.sense) == (1, -1)


def test_two_encoders_at_one_board(tmp_path: Path) -> None:
    stand = stand_of(tmp_path, LATCHED).recorded()
    assert stand.is_latched
    assert stand.channels == (INDICATOR, ENCODER, PINION_ENCODER)
    assert stand.wires == (INDICATOR, ENCODER)
    parsers = {name: decoder.parser for name, decoder in stand.decoders().items()}
    assert list(parsers[ENCODER].feed(b"\r\n5,7\r\n")) == [7.0]
    assert list(parsers[PINION_ENCODER].feed(b"\r\n5,7\r\n")) == [5.0]


@pytest.mark.parametrize("encoders", [APART, LATCHED])
def test_a_record_with_two_encoders_has_a_version_of_its_own(tmp_path: Path, encoders: str) -> None:
    setup = Setup.of(load_box().recorded(), stand_of(tmp_path, encoders).recorded())
    assert setup.version == WITH_PINION
    began = events.TestStarted(test="t", operator="", setup=setup, planned=(0,), version="0")
    assert events.from_json(*events.to_json(began)) == began


def test_a_record_with_one_encoder_says_nothing_of_a_second(tmp_path: Path) -> None:
    stand = stand_of(tmp_path, f"[encoder]\n{B}{ONE}")
    setup = Setup.of(load_box().recorded(), stand.recorded())
    written = events.to_json(
        events.TestStarted(test="t", operator="", setup=setup, planned=(0,), version="0")
    )[1]
    matched = events.to_json(events.MatchedTeethSet(encoder_deg=1.0, how="set at the stand", seen_deg=1.0))[1]
    assert matched == '{"encoder_deg":1.0,"how":"set at the stand","moved_deg":null,"seen_deg":1.0}'
    assert "pinion_encoder" not in written
    assert '"number":' not in written


MISTAKES = [
    (f'[encoder]\n{B}{ONE}["encoder.pinion"]\n{C}{ONE}', "encoder.pinion: unknown key; two encoders are"),
    (f"[encoder]\n{B}{ONE}[pinion_encoder]\n{C}{ONE}", "pinion_encoder: unknown key; two encoders are"),
    (f"[encoder]\n{B}{ONE}[encoder.pinion]\n{C}{ONE}", "encoder: counts_per_turn, port, profile beside"),
    (f"[encoder.gear]\n{B}{ONE}", "encoder.pinion: is missing beside [encoder.gear]"),
    (f"[encoder.pinion]\n{B}{ONE}", "encoder.gear: is missing beside [encoder.pinion]"),
    (APART.replace("sense = -1", 'shaft = "pinion"'), "encoder.pinion.shaft: the name of the table says"),
    (APART.replace("/dev/c", "/dev/b"), "encoder.pinion.port: /dev/b is the port of [encoder.gear] as well"),
    (APART.replace("/dev/b", "/dev/a"), "encoder.gear.port: /dev/a is the port of the indicator as well"),
    (APART.replace("/dev/c", "/dev/a"), "encoder.pinion.port: /dev/a is the port of the indicator as well"),
    (f"{APART}absolute = true\n", "encoder.pinion.absolute: a box file gives"),
    (APART.replace("sense = -1", "sense = 2"), "encoder.pinion.sense: expected 1 or -1, got 2"),
    (APART.replace("20000", "20", 1), "encoder.gear.counts_per_turn: 20 counts of 18° make no encoder"),
    ("encoder.gear = 3\n[encoder.pinion]\n", "encoder.gear: expected a table [encoder.gear], got 3"),
    (APART.replace("20000", '"20000"', 1), "encoder.gear.counts_per_turn: expected a whole number"),
    (APART.replace("counts_per_turn = 20000\nsense", "sense"), "encoder.pinion.counts_per_turn: is missing"),
    (APART.replace("sense = -1", "senses = -1"), "encoder.pinion.senses: unknown key; did you mean sense?"),
    (APART.replace("sense = -1", "sense = yes"), "write one of these: sense = 1 or -1"),
    (LATCHED.replace("number = 1", ""), "encoder.pinion.number: is missing"),
    (LATCHED.replace("number = 1", "").replace("number = 2", ""), "encoder.gear.number: is missing, and"),
    (LATCHED.replace("number = 1", "number = 2"), "encoder.pinion.number: is 2 in [encoder.gear] as well"),
    (LATCHED.replace("/dev/b", "/dev/d", 1), "encoder.pinion.port: is /dev/b here and /dev/d in"),
    (LATCHED.replace(TWO, ONE, 1), "encoder.pinion.profile: is pair.toml here and"),
    (LATCHED.replace(TWO, ONE), "encoder.gear.number: frames of"),
    (f"[encoder]\n{B}{ONE}number = 1\n", "encoder.number: tells the two encoders of one counter board"),
    (f"[encoder]\n{B}{TWO}", "encoder.profile: frames of pair.toml carry the counts of two encoders"),
]


@pytest.mark.parametrize(("encoders", "said"), MISTAKES)
def test_a_mistake_is_named_with_its_place(tmp_path: Path, encoders: str, said: str) -> None:
    head = HEAD if "encoder.gear = 3" not in encoders else ""
    with pytest.raises(ConfigurationError) as caught:
        stand_of(tmp_path, encoders, head)
    assert any(said in line for line in caught.value.lines), caught.value.lines


def test_an_encoder_on_the_pinion_is_not_one_with_a_button(tmp_path: Path) -> None:
    (tmp_path / "button.toml").write_text(
        'kind = "ascii line"\nunit = "deg"\nsends = "on its button"\npattern = "(?P<value>[0-9.]+)"\n'
    )
    with pytest.raises(ConfigurationError, match=r"encoder\.pinion\.profile: .* at a press of its button"):
        stand_of(tmp_path, f"[encoder.gear]\n{B}{ONE}[encoder.pinion]\n{C}" + ONE.replace(
            str(INSTRUMENTS / "encoder-line.toml"), "button.toml"))  # fmt: skip


def test_a_stand_can_be_written_down_and_read_again(tmp_path: Path) -> None:
    stand = stand_of(tmp_path, LATCHED)
    assert Stand.model_validate_json(stand.model_dump_json()) == stand


def test_what_may_change_of_the_second_encoder(tmp_path: Path) -> None:
    old = stand_of(tmp_path, APART)
    later = stand_of(tmp_path, f"{APART}calibration_due = 2030-01-01\n")
    assert accepted(old, later, "stand") == ["encoder.pinion.calibration_due"]
    other = stand_of(tmp_path, APART.replace("/dev/c", "/dev/d"))
    with pytest.raises(ConfigurationError, match=r"encoder\.pinion\.port: cannot change"):
        accepted(old, other, "stand")
    box = load_box().recorded()
    today, began = (Setup.of(box, one.recorded()) for one in (other, old))
    assert differences(today, began) == ((), ("pinion encoder.port: /dev/c → /dev/d",))
    turned = Setup.of(box, stand_of(tmp_path, APART.replace("sense = -1", "sense = 1")).recorded())
    assert differences(turned, began) == (("pinion encoder.sense: -1 → 1",), ())
