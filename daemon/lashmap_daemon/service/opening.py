"""From a request over the local socket to a test that may begin, and the wait for its matched teeth.

A box file is read anew whenever a test begins: what is on the disk then is what the record holds.
`lashmap run` asks a person; here the answers come with the request, and what it leaves open stays unproven.
A prepared test waits until a person, or a knock of the gear, reports that the marked teeth are together.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from pathlib import Path

from lashmap_drivers.profile import MM_PER_INCH
from pydantic import ValidationError

from lashmap_daemon.builds.evidence import take
from lashmap_daemon.errors import ConfigurationError, StandError
from lashmap_daemon.logbook.logbook import Logbook
from lashmap_daemon.service.words import Begin, Resume
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile, MountingTable
from lashmap_daemon.setup.plausible import implausible
from lashmap_daemon.setup.stand_file import HandsFreeTable, Stand
from lashmap_daemon.setup.toml_file import FROM_FILE, problem_of
from lashmap_daemon.story import events
from lashmap_daemon.testing.channels import Channels
from lashmap_daemon.testing.engine import Engine, Prepared
from lashmap_daemon.testing.engine import prepare_again as prepare_unfinished
from lashmap_daemon.testing.hands_free import find_knock, reach_back_s
from lashmap_daemon.testing.passes import method_of, planned_passes

_SUFFIX = ".toml"
_LENGTHS = ("pinion_marked", "pinion_set", "gear_marked", "gear_set")
_MOST_NAMED = 200


class BoxFolder:
    """The box files that a service may test.

    Raises:
        ConfigurationError: When there is no such folder.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        if not folder.is_dir():
            raise ConfigurationError(
                str(folder), ["--boxes: no such folder; name the one with the box files"]
            )

    def names(self) -> list[str]:
        """Their names without ``.toml``, in order."""
        try:
            names = sorted(path.stem for path in self.folder.glob(f"*{_SUFFIX}") if path.is_file())
        except OSError:
            return []
        return names[:_MOST_NAMED]

    def problems(self) -> list[str]:
        """What is wrong with any of them; a sentence each, beginning with the file."""
        found: list[str] = []
        for name in self.names():
            try:
                self.load(name)
            except ConfigurationError as error:
                found += error.lines
        return found

    def path(self, name: str) -> Path:
        """The file of a box.

        Raises:
            ConfigurationError: When the name is none of a file in this folder.
        """
        stem = name.removesuffix(_SUFFIX)
        if stem not in self.names():
            near = ", ".join(self.names()[:10]) or "none"
            raise ConfigurationError(
                f"{name!r:.80}", [f"no such box file in {self.folder}; there are: {near}"]
            )
        return self.folder / f"{stem}{_SUFFIX}"

    def load(self, name: str) -> BoxFile:
        """Read one of them.

        Raises:
            ConfigurationError: When there is none of that name, or it is wrong.
        """
        return toml_file.load(self.path(name), BoxFile)


def completed(box: BoxFile, settings: Mapping[str, str]) -> BoxFile:
    """A box with what a person says about its build, where the file is silent.

    Args:
        box: As its file has it.
        settings: By key: ``mounting.pinion_set_mm`` and its kind, or ending in ``_in``,
            ``mounting.bearings``, ``mounting.bearings_within_drawing`` (``true`` or ``false``).

    Raises:
        ConfigurationError: For a key that cannot be set or is in the file, or a value that does not fit.
    """
    values: dict[str, object] = {}
    problems: list[str] = []
    for key, text in settings.items():
        try:
            name, value = _setting(key, text)
        except ValueError as error:
            problems.append(str(error))
            continue
        if name in box.mounting.model_fields_set or name in values:
            problems.append(f"--set {key}: is given already; correct the box file instead")
        values[name] = value
    if problems:
        raise ConfigurationError(box.box.serial, problems)
    if not values:
        return box
    if "bearings_within_drawing" in values and not box.mounting.bearings:
        values.setdefault("bearings", "as reported at the start of the test")
    try:
        mounting = MountingTable.model_validate(
            box.mounting.model_dump(exclude_unset=True) | values, context=FROM_FILE
        )
    except ValidationError as error:
        raise ConfigurationError(
            box.box.serial,
            [problem_of(dict(one), before="--set mounting.") for one in error.errors()],
        ) from error
    box = box.model_copy(update={"mounting": mounting})
    if problems := list(implausible(box.recorded())):
        raise ConfigurationError(box.box.serial, [f"--set {problem}" for problem in problems])
    return box


def _setting(key: str, text: str) -> tuple[str, object]:
    table, _, name = key.partition(".")
    stem, _, unit = name.rpartition("_")
    if table == "mounting" and stem in _LENGTHS and unit in {"mm", "in"}:
        try:
            length = float(text.replace(",", "."))
        except ValueError:
            raise ValueError(f"--set {key}: {text!r:.40} is no number") from None
        return f"{stem}_mm", length * (MM_PER_INCH if unit == "in" else 1.0)
    if key == "mounting.bearings":
        return name, text
    if key == "mounting.bearings_within_drawing":
        if text not in {"true", "false"}:
            raise ValueError(f"--set {key}: {text!r:.40} is neither true nor false")
        return name, text == "true"
    lengths = ", ".join(f"mounting.{one}_mm" for one in _LENGTHS)
    raise ValueError(
        f"--set {key!r:.60}: cannot be set; {lengths} (or _in), mounting.bearings and "
        "mounting.bearings_within_drawing can"
    )


def confirmed(request: Begin | Resume) -> events.CautionsConfirmed:
    """That the cautions were confirmed to whoever asked.

    Raises:
        ConfigurationError: When they were not.
    """
    if request.confirmed is None:
        problem = "the cautions are not confirmed; isolate and lock out the drive, then give --locked-out"
        raise ConfigurationError(request.command, [problem])
    return events.CautionsConfirmed(how=f"{request.confirmed}, sent to the service")


def prepare(request: Begin, boxes: BoxFolder, stand: Stand, engine: Engine) -> Prepared:
    """Read the box and plan the test.

    Raises:
        ConfigurationError: A wrong box, setting, build or plan.
        LogbookError: When the build is not there, or is not as it was written.
    """
    cautions = confirmed(request)
    box = completed(boxes.load(request.box), request.settings)
    method = method_of(request.method, stand)
    passes = planned_passes(method, brakes_nm=request.brake_nm)
    built = take(engine.logbook, box, request.build)
    prepared = engine.prepare(
        built.box,
        stand,
        box_name=str(boxes.path(request.box)),
        operator=request.operator or "not recorded",
        cautions=cautions,
        sweeps=tuple(dict.fromkeys(request.runout)),
        build=built.named,
        method=method,
        passes=passes,
    )
    if prepared.started.setup.matched_deg is not None and request.matched != "later":
        problem = "the box file carries matched_teeth.encoder_deg, and the encoder is absolute"
        raise ConfigurationError("--matched", [f"{problem}; leave one of them out"])
    return prepared


def prepare_again(request: Resume, boxes: BoxFolder, stand: Stand, path: Path) -> Prepared:
    """Find the test that goes on, and see that box and stand are the same; for another thread.

    Raises:
        ConfigurationError: A wrong box file, or cautions that are not confirmed.
        ResumeError: When there is no such test, or it cannot go on, with the reason.
        LogbookError: When it cannot be read.
    """
    cautions = confirmed(request)
    box = boxes.load(request.box)
    with Logbook(path, create=False) as logbook:
        return prepare_unfinished(
            logbook,
            request.test,
            box,
            stand,
            operator=request.operator or "not recorded",
            cautions=lambda _unfinished: cautions,
        )


class SocketPerson:
    """The person, as far as one word over the socket goes.

    Attributes:
        answer: To the next question.
        contradicted: The person knows that encoder and marks disagree, and may confirm the marks.
    """

    def __init__(self) -> None:
        self.answer = ""
        self.contradicted = False
        self._shown = ""

    def show(self, text: str) -> None:
        """Keep the line for the answer."""
        self._shown = text

    def ask(self, question: str) -> str:  # noqa: ARG002 - the interface of a person
        """The word; an error that says why it is not enough."""
        if self._shown and not self.contradicted:
            self.contradicted = True
            raise StandError(f"{self._shown} Check both marks, then repeat: lashmap tell STAND matched")
        return self.answer


PREPARING_S = 1800.0  # after this a test that nobody brings to its marked teeth is given up
_KEEP_S = 120.0


class Waiting:
    """Waits for one test.

    Attributes:
        person: Answers that they are together.
        before_deg: Of a test that goes on, the encoder's own angle before anybody turned to the marks.
        gear: What the gear does meanwhile; to be fed.
        busy: Its marked teeth are being compared now.
    """

    def __init__(self, prepared: Prepared, before_deg: float | None = None) -> None:
        self.prepared = prepared
        self.gear = Channels(prepared.stand.recorded(), prepared.box.gear_set.gear_set(), keep_s=_KEEP_S)
        self.person, self.before_deg = SocketPerson(), before_deg
        self.busy = False
        self._begun_s = self._since_s = time.monotonic()
        setting = prepared.stand.file.hands_free
        self._setting = setting if setting is not None and "matched" in setting.gestures else None

    def angles(self, now_deg: float) -> Callable[[], float]:
        """What the encoder shows when it is read: before, where that counts, and from then on now."""
        unfinished = self.prepared.unfinished
        before = unfinished is not None and unfinished.matched is not None and self.before_deg is not None
        row = [now_deg, self.before_deg] if before else [now_deg]
        return lambda: float((row.pop() if len(row) > 1 else row[0]) or 0.0)

    def instructions(self) -> list[str]:
        """What to do now."""
        lines = [
            "Bring the marked teeth together, hold the gear still, then enter: lashmap tell STAND matched"
        ]
        unused = self.prepared.started.setup.unused_angle
        if unused and self.prepared.unfinished is None:
            lines.insert(0, f"{unused[:1].upper()}{unused[1:]}.")
        return lines if self._setting is None else [*lines, _knock_sentence(self._setting)]

    def overdue(self, now_s: float) -> bool:
        """True when it was waited for long enough."""
        return now_s - self._begun_s > PREPARING_S

    def knocked(self, now_s: float) -> bool:
        """True when the gear knocked."""
        if self._setting is None or self.busy:
            return False
        trace = self.gear.gear_deg(now_s - reach_back_s(self._setting))
        pitch_deg = 360.0 / self.prepared.box.gear_set.gear_teeth
        if find_knock(trace, self._setting, pitch_deg=pitch_deg, since_s=self._since_s) is None:
            return False
        self._since_s = now_s  # one knock counts once
        return True


def _knock_sentence(setting: HandsFreeTable) -> str:
    return (
        f"or without hands: stand still there, turn {setting.least_teeth} to {setting.most_teeth} teeth away "
        "and back, stand still again"
    )
