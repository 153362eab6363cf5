"""Message files: every language has every text, with the same figures; the English ones are what cues say."""

from __future__ import annotations

import re
from pathlib import Path

import lashmap_daemon
import pytest
from lashmap_analysis.rock.flags import FlagName
from lashmap_daemon.screens.cue import HINTS, angle_phrase
from lashmap_daemon.screens.phrases import LANGUAGES, Phrase, as_keys, texts_of
from lashmap_daemon.story.wording import angle_text

FIGURE = re.compile(r"\{(\w+)\}")


def figures(text: object) -> list[set[str]]:
    texts = text.values() if isinstance(text, dict) else [text]
    return [set(FIGURE.findall(str(one))) for one in texts]


@pytest.mark.parametrize("language", [one for one in LANGUAGES if one != "en"])
def test_a_translation_has_every_text_with_its_figures(language: str) -> None:
    english, other = texts_of("en"), texts_of(language)
    assert english.keys() == other.keys()
    assert {key: figures(text) for key, text in english.items()} == {
        key: figures(text) for key, text in other.items()
    }
    same = [key for key in english if english[key] == other[key] and figures(english[key]) == [set()]]
    assert len(same) < 8, same  # some words are alike; a file that was not translated is noticed


def test_a_plural_follows_n() -> None:
    assert Phrase.of("cue.forward", n=1) == "FORWARD 1 TOOTH"
    assert Phrase.of("cue.back", n=7) == "BACK 7 TEETH"


def test_a_phrase_travels_as_key_and_figures_whatever_is_in_them() -> None:
    what = Phrase.of("cue.forward", n=3)
    assert as_keys(Phrase.of("cue.next", what=what)) == {
        "key": "cue.next",
        "figures": {"what": {"key": "cue.forward", "figures": {"n": 3}}},
    }
    assert as_keys(Phrase.row(HINTS.values()))[0] == {"key": "flag.too few reversals"}
    assert as_keys("as recorded") == "as recorded"


@pytest.mark.parametrize("gear_deg", [0.0, 359.96, 360.0, 725.5, -0.04, -0.06, -360.0, -361.25])
def test_an_angle_is_said_as_everywhere(gear_deg: float) -> None:
    for decimals in (1, 2):
        assert angle_phrase(gear_deg, decimals=decimals) == angle_text(gear_deg, decimals=decimals)


def test_a_figure_that_is_lacking_is_an_error() -> None:
    with pytest.raises(KeyError):
        Phrase.of("cue.lash_was")


def test_no_text_is_left_over_and_every_flag_of_a_rock_has_one() -> None:
    package = Path(lashmap_daemon.__file__).parent
    sources = [*package.rglob("*.py"), *package.rglob("static/*")]
    used = "\n".join(path.read_text("utf-8") for path in sources)
    made = {"cue.forward", "cue.back", "cue.mark_of_", "cue.tip_on_", "cue.turn_", "cue.pass_", "cue.roll_"}
    made |= {"cue.confirm_at", "cue.to_place", "cue.thirds_", "page.trace_of_"}
    made |= {"desk.outcome.", "desk.take.", "desk.review.do_"}
    outcomes = {"cue.completed", "cue.stopped", "cue.interrupted", "cue.failed"}
    left = [
        key
        for key in texts_of("en")
        if key.split(".")[-1] not in used and not key.startswith((*made, "flag.")) and key not in outcomes
    ]
    assert left == []
    typed = {FlagName.READ_BY_EYE, FlagName.TOO_FEW_ROCKS, FlagName.UNEVEN_ROCKS}
    assert HINTS.keys() == set(FlagName) - typed
