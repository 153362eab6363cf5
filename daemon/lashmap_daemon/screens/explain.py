"""The command that says what a word means, why it matters and what to do: flags, keys, terms, preconditions.

Keys of files are explained where `lashmap new` asks for them (`setup/meanings.py`), those of the simulated
stand in its own docstrings. Flags, whose sentences carry the figures of a rock, and words of the trade are
explained here.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from textwrap import fill

from lashmap_analysis.rock.flags import FlagName
from rich.console import Console
from rich.text import Text

from lashmap_daemon.errors import ConfigurationError
from lashmap_daemon.screens.terminal import say
from lashmap_daemon.setup.box_file import SimulatedTable
from lashmap_daemon.setup.meanings import MEANINGS, attributes
from lashmap_daemon.simulated_stand import SimulatedBox, SimulatedDrive, SimulatedInstruments


@dataclass(frozen=True, kw_only=True)
class Explanation:
    """Of a word.

    Attributes:
        name: The word, a key with its table.
        group: What kind of word it is.
        what: What it means.
        why: Why it matters; empty where that is plain.
        without: What becomes of a test whose file leaves the key out; empty where that cannot be.
        do: What to do; empty where nothing is to be done.
    """

    name: str
    group: str
    what: str
    why: str = ""
    without: str = ""
    do: str = ""


FLAGS, TERMS, VERDICTS = "flags of a rock", "words of the trade", "verdicts"
CONDITIONS, BOX, STAND, SIMULATED = (
    "preconditions",
    "keys of a box file",
    "keys of a stand file",
    "keys of the table simulated",
)
_FLAGS: dict[FlagName, tuple[str, str, str]] = {
    FlagName.TOO_FEW_REVERSALS: (
        "Too few reversals of the rock could be used.",
        "A mean of few steps is hardly known.",
        "Keep rocking until the position is accepted.",
    ),
    FlagName.FLANK_NOT_SETTLED: (
        "The gear was not at rest on the flanks.",
        "A value taken on the way is no end of the backlash.",
        "Pause at each end of the rock, about half a second.",
    ),
    FlagName.UNSTEADY_FLANK: (
        "The value kept moving while the gear should rest on a flank.",
        "Teeth, shafts or housing wind up, oil is pressed out between the flanks, or the gear draws back.",
        "Rock more lightly, and hold still at each end. As a warning it is allowed for in the uncertainty.",
    ),
    FlagName.SLIP: (
        "The flanks did not stay where they were from one rock to the next.",
        "The pinion turned, or the base of the indicator moved: part of the reading is that movement.",
        "Lock the pinion, clamp the base, and repeat the rock.",
    ),
    FlagName.PINION_MOVED: (
        "The pinion's encoder saw it turn while the gear was rocked.",
        "What the pinion gives, the gear moves too: the reading is the backlash and that together.",
        "Lock the pinion without play, and repeat the rock. As a warning it is in the uncertainty.",
    ),
    FlagName.OUT_OF_RANGE: (
        "The indicator came to the end of its range.",
        "The flank beyond that was not seen, and the reading is too small.",
        "Set the tip nearer to the middle of its travel, and repeat.",
    ),
    FlagName.STUCK: (
        "The indicator repeated one value for longer than a dwell, or did not move at all.",
        "A plunger that hangs or a cable that is off looks like a gear at rest.",
        "Check that the tip touches, that the plunger is free, and the cable.",
    ),
    FlagName.GAP_IN_SAMPLES: (
        "Samples are missing in the rock.",
        "What happened meanwhile is not known; steps across a gap are left out.",
        "Check cable, plugs and baud rate; repeat the rock when it was refused.",
    ),
    FlagName.UNDERSAMPLED_DWELL: (
        "Too few samples on each flank.",
        "Rest and movement cannot be told apart.",
        "Rock more slowly, or let the indicator send faster.",
    ),
    FlagName.SINGLE_FLANK: (
        "Only one level was seen.",
        "Without a second flank there is no backlash to measure.",
        "Rock the gear until it touches both flanks.",
    ),
    FlagName.FLANK_NOT_REACHED: (
        "The gear slowed down before it stopped, or stopped at different places.",
        "Friction or a hand stopped it, not the flank, and the reading is too small.",
        "Look for friction; let the gear run onto the flank, lightly, and hold it there.",
    ),
    FlagName.COARSE_INDICATOR: (
        "What moved is only a few steps of the indicator.",
        "Rounding is as large as what is to be measured.",
        "Use an indicator with a smaller step.",
    ),
    FlagName.SPIKES: (
        "Single samples jumped away and back at once, and were left out.",
        "A bad cable or a plunger that jumps; a few do no harm.",
        "Check cable and plunger.",
    ),
    FlagName.HEAVY_ROCKING: (
        "Peak to peak is well above the settled step.",
        "The gear is thrown or pressed, and elastic movement is part of the reading.",
        "Rock more lightly.",
    ),
    FlagName.READ_BY_EYE: (
        "The readings were read by eye and typed; there is no trace.",
        "Nothing shows whether the gear was rocked lightly, the flanks settled and the pinion stood still.",
        "Rock with care, more than once; an indicator on a port proves more.",
    ),
    FlagName.TOO_FEW_ROCKS: (
        "Too few rocks were typed for this position.",
        "Their scatter is hardly known.",
        "Rock again and type more readings.",
    ),
    FlagName.UNEVEN_ROCKS: (
        "The typed rocks of one position differ more than they should.",
        "The pinion moved, the tip shifted, or a figure was mistyped.",
        "Look for the cause, and rock the position again.",
    ),
    FlagName.INSTRUMENTS_DISAGREE: (
        "Indicator and encoder do not give the same backlash.",
        "Touch radius, direction, lever or scale of one of them is not what the files say.",
        "Measure the touch radius, look at the direction, and check unit and counts per turn.",
    ),
}
_TERMS: dict[str, tuple[str, ...]] = {
    "pinion": ("The smaller member of the gear set.",),
    "gear": ("The larger member of the gear set; it is rocked while the pinion is held.",),
    "mounting distance": (
        "From the locating face at the back of a member to the axis of its mate; marked on the member.",
        "The right backlash can be had at a wrong mounting distance, with a wrong contact pattern.",
        "Measure it, record it as marked and as set; shims correct it.",
    ),
    "matched teeth": (
        "The marked teeth of both members, found best when the set was lapped or tested together.",
        "Engagements are counted from there, so that a result names a tooth.",
        "Bring the marks together when the program asks for it.",
    ),
    "backlash": (
        "Play between the flanks; the smallest over all engagements is what is judged.",
        "Too little runs hot and seizes, too much knocks; the drawing says how much.",
    ),
    "normal backlash": ("Play perpendicular to the flank at the outer end; most drawings limit it.",),
    "transverse backlash": (
        "The same play in the plane of rotation; larger than normal backlash by 1/(cos αn cos β).",
    ),
    "rock": (
        "With the pinion held, the gear is moved lightly from flank to flank and back, several times.",
        "Each flank must be touched and rested on.",
        "By hand or bar, about half a second on each flank.",
    ),
    "flank": ("The side of a tooth that touches; a rock touches one of each side.",),
    "dwell": ("The time of rest on a flank; its settled part is what is measured.",),
    "reversal": ("One traverse from flank to flank.",),
    "reading": ("The lash that one rock gives, along the indicator's own line.",),
    "position": ("An angular place at which a rock is recorded.",),
    "engagement": (
        "How many gear teeth past the matched teeth the mesh stands; it names a gear and a pinion tooth.",
    ),
    "mesh cycle": (
        "Engagements after which the same teeth meet again: least common multiple of the counts.",
    ),
    "hunting": ("Every pinion tooth meets every gear tooth, since the tooth counts have no common divisor.",),
    "runout": (
        "Indicator movement over a turn of a member; its once-per-turn part moves the backlash.",
        "It is what makes a tight spot.",
        "lashmap run … --runout gear measures it.",
    ),
    "high point": ("The angle at which a member's runout takes most backlash away.",),
    "tight spot": (
        "The engagement with the least backlash.",
        "It may be far from the teeth that were measured; it is predicted from the map and then confirmed.",
    ),
    "lash map": ("Backlash for each engagement of the mesh cycle, as fitted to the positions.",),
    "confirming position": ("A position at the predicted tight spot, measured to prove the prediction.",),
    "roll phase": (
        "How far a pair of teeth has rolled through its pitch; the backlash is not the same all the way.",
        "Rocked at three phases, the least within a pitch is measured; otherwise it is uncertain.",
        "Write plan.roll_phases = 3 in the box file, where the pinion can be held between two teeth.",
    ),
    "uncertainty": (
        "How far the truth may be from what is stated; U is at 95 %.",
        "A verdict counts it against the box: the whole interval must be inside the limits.",
        "The budget in the report names what would make it smaller.",
    ),
    "touch radius": ("Distance of the tip's point of contact from the gear axis.",),
    "rock torque": ("Torque about the gear axis that presses each flank; results are for none.",),
    "contact pattern": (
        "Where on the flank the teeth touch, seen with marking compound.",
        "Backlash alone does not prove a build; the pattern and the mounting distances do.",
    ),
    "check standard": (
        "A box or artefact that does not change, tested often on one stand.",
        "When its results move, the stand has changed.",
        "lashmap study drift SERIAL shows its chart.",
    ),
}
_VERDICTS: dict[str, tuple[str, ...]] = {
    "conforming": (
        "The whole interval of 95 % is inside the limits, and every precondition is proven.",
        "Decision rule of ISO 14253-1.",
        "A licensed person signs; contact pattern and local rules are proven apart from it.",
    ),
    "nonconforming": (
        "The interval is wholly outside a limit.",
        "Preconditions do not change that.",
        "lashmap shims says which shims bring it into the limits, or what to measure first.",
    ),
    "not proven": (
        "Neither: a limit lies in the interval, a precondition is not proven, or the measurement is doubted.",
        "Nothing may be signed from it, in either direction.",
        "The result names what would settle it.",
    ),
}
_CONDITIONS: dict[str, tuple[str, ...]] = {
    "mounting distance, pinion": (
        "Whether the pinion is set to its marked mounting distance within the tolerance.",
        "Unproven, nothing is conforming.",
        "Record mounting.pinion_marked, mounting.pinion_set and mounting.tolerance.",
    ),
    "mounting distance, gear": (
        "Whether the gear is set to its marked mounting distance within the tolerance.",
        "Unproven, the verdict says so; failed, nothing is conforming.",
        "Record mounting.gear_marked, mounting.gear_set and mounting.tolerance.",
    ),
    "bearings": (
        "Whether preload or end play of the bearings is within the drawing.",
        "A member that moves in its bearings has no mounting distance.",
        "Measure, and record mounting.bearings_within_drawing.",
    ),
    "calibration, indicator": (
        "Whether the indicator's calibration is valid today, with a figure of its certificate.",
        "Unproven or overdue, nothing is conforming.",
        "Record indicator.calibration_due and indicator.calibration_uncertainty in the stand file.",
    ),
    "calibration, encoder": (
        "Whether the encoder's calibration is valid today; where it reads alone, with a certified figure.",
        "Unproven or overdue, nothing is conforming.",
        "Record encoder.calibration_due and, without an indicator, encoder.standard_uncertainty_deg.",
    ),
    "calibration, pinion encoder": (
        "Whether the calibration of the encoder on the pinion's shaft is valid today.",
        "Unproven or overdue, nothing is conforming.",
        "Record encoder.pinion.calibration_due.",
    ),
    "typed in from a sheet": (
        "When and by whom a sheet was measured that was typed in, and when and by whom that was done.",
        "It bars nothing; the page says it. Calibrations are judged on the day of measuring.",
        "lashmap sheet BOX prints one.",
    ),
    "cautions": (
        "Whether somebody confirmed that the drive is isolated and locked out.",
        "People have hands in this machine.",
        "Read them at the start, and type locked out.",
    ),
    "build sheet": (
        "Which sheet of a build a test took its figures from, with its digest.",
        "It bars nothing; the page says it.",
        "lashmap build BOX keeps the sheet.",
    ),
    "record intact": (
        "Whether the record of the test fits its digests.",
        "A record that was changed is not judged.",
        "lashmap verify says what differs.",
    ),
    "encoder index": (
        "Whether the encoder's index pulse came at the same count each turn.",
        "Otherwise its coupling or cable lost counts.",
        "See to coupling and cable, set the matched teeth anew, and test again.",
    ),
    "resumed test": (
        "Whether a position measured again after a resumption agrees with before.",
        "Teeth, tip or reference may have moved meanwhile.",
        "Find out what moved, and test again from the start.",
    ),
}


def explain(asked_words: Sequence[str], console: Console) -> None:
    """Say what a word means; without one, list all words by group.

    Raises:
        ConfigurationError: Nothing is known of the word; the nearest ones are named.
    """
    everything = list(explanations())
    if not asked_words:
        _list(everything, console)
        return
    asked = " ".join(asked_words)
    found = [one for one in everything if _fits(one, asked)]
    if not found:
        raise ConfigurationError("explain", [_unknown(asked, everything)])
    for number, one in enumerate(found):
        if number:
            console.print()
        say(console, f"{one.name}  ({one.group})", "bold")
        for mark, words in (
            ("", one.what),
            ("why: ", one.why),
            ("left out: ", one.without),
            ("do: ", one.do),
        ):
            if words:
                say(console, f"  {mark}{words}")


def explanations() -> Iterator[Explanation]:
    """All that can be asked for."""
    for flag, (what, why, do) in _FLAGS.items():
        yield Explanation(name=flag.value, group=FLAGS, what=what, why=why, do=do)
    for group, table in ((VERDICTS, _VERDICTS), (CONDITIONS, _CONDITIONS), (TERMS, _TERMS)):
        for name, texts in table.items():
            what, why, do = (*texts, "", "")[:3]
            yield Explanation(name=name, group=group, what=what, why=why, do=do)
    is_stand = False
    for name, key in MEANINGS.items():
        is_stand = is_stand or name == "stand.name"
        without = f"{key.without}." if key.without else ""
        yield Explanation(name=name, group=STAND if is_stand else BOX, what=f"{key.what}.", without=without)
    fields: dict[str, str] = {}
    for kind in (SimulatedBox, SimulatedDrive, SimulatedInstruments):
        fields = attributes(kind.__doc__ or "") | fields
    for field in SimulatedTable.model_fields:
        before = list(fields)[list(fields).index(field) - 1]
        what = fields[field]
        if what.startswith("The same of"):
            what = f"{what} That is: {fields[before]}"
        yield Explanation(name=f"simulated.{field}", group=SIMULATED, what=what)


def _plain(word: str) -> str:
    return " ".join(word.casefold().replace("_", " ").replace("-", " ").replace(",", " ").split())


def _names(one: Explanation) -> set[str]:
    """Under which a word is found: whole, without its table, and without its unit."""
    names = {one.name}
    if "." in one.name and one.group in {BOX, STAND, SIMULATED}:
        names |= {one.name.split(".", 1)[1], one.name.rpartition(".")[2], one.name.partition(".")[0]}
        if one.name.startswith(("shims.", "parts.", "encoder.")):
            table, _, key = one.name.partition(".")
            names |= {f"{table}.{member}.{key}" for member in ("gear", "pinion")}
    for name in list(names):
        if name.endswith("_mm"):
            names |= {name.removesuffix("_mm"), f"{name.removesuffix('_mm')}_in"}
    return {_plain(name) for name in names}


def _fits(one: Explanation, asked: str) -> bool:
    return _plain(asked.strip("[]")) in _names(one)


def _unknown(asked: str, everything: list[Explanation]) -> str:
    by_name = {name: one.name for one in everything for name in sorted(_names(one))}
    plain = _plain(asked)
    near = difflib.get_close_matches(plain, by_name, n=4, cutoff=0.6)
    holding = [name for name in by_name if plain and plain in name]
    names = list(dict.fromkeys(by_name[name] for name in (*near, *holding)))[:4]
    hint = f"did you mean {' or '.join(names)}?" if names else "none is like it;"
    return f"nothing is known of {asked!r}; {hint} lashmap explain alone lists all words"


def _list(everything: list[Explanation], console: Console) -> None:
    width = min(console.width, 100)
    for group in dict.fromkeys(one.group for one in everything):
        say(console, group, "bold")
        names = "; ".join(one.name for one in everything if one.group == group)
        console.print(Text(fill(names, width - 2, initial_indent="  ", subsequent_indent="  ")))
    say(console, "What one of them means: lashmap explain WORD")
