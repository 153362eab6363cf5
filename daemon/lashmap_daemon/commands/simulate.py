"""The command that stands in for a test stand: a box file becomes a simulated box on pseudo-terminals.

The stand and profile files it leaves in its folder are ordinary ones; ``lashmap run`` reads them as any
other.
"""

from __future__ import annotations

from dataclasses import fields, replace
from functools import partial
from pathlib import Path
from typing import Any, Literal

from rich.console import Console

from lashmap_daemon.commands.options import STAND_FILE, ExamplesOptions, SimulateOptions
from lashmap_daemon.errors import ConfigurationError, StandError
from lashmap_daemon.screens.terminal import say
from lashmap_daemon.setup import toml_file
from lashmap_daemon.setup.box_file import BoxFile
from lashmap_daemon.setup.shipped import shipped
from lashmap_daemon.setup.toml_file import in_toml
from lashmap_daemon.simulated_stand import (
    Fault,
    SimulatedBox,
    SimulatedDrive,
    SimulatedInstruments,
    Stand,
    serve,
)
from lashmap_daemon.simulated_stand import StandError as ImpossibleStand
from lashmap_daemon.system import need_pseudo_terminals
from lashmap_daemon.whole_file import replace_whole

_INDICATOR_PROFILE = r"""kind = "ascii line"
description = "Simulated indicator: one signed decimal number a line, sent by itself."
terminator = "\r\n"
pattern = '(?P<value>[+-]\d{{3}}(?:\.\d+)?)'
unit = "{unit}"
"""
_ENCODER_PROFILE = r"""kind = "counter board"
description = "Simulated encoder: the whole count with its sign, sent by itself."
terminator = "\r\n"
pattern = '(?P<count>[+-]\d{10})'
"""
_LATCHED_PROFILE = r"""kind = "counter board"
description = "Simulated pair of encoders: both counts latched together, the gear's first, sent by itself."
terminator = "\r\n"
pattern = '(?P<count>[+-]\d{7}),(?P<second_count>[+-]\d{7})'
"""
_PAIR_RATE_HZ, _PAIR_COUNTS = 1000.0, 20_000  # of each of two encoders
_GRADUATION_DEG = 0.0002  # as a certificate would say; the simulated encoder has no error
_STAND = """[stand]
name = "Simulated stand"
remark = "Simulated: no real gearbox was tested."

[prompts]
file = {prompts}
"""
_WITH_INDICATOR = """
[indicator]
port = {indicator}
profile = "indicator.toml"
resolution_mm = {resolution_mm!r}
calibration_due = 2099-12-31
calibration_uncertainty_mm = 0.0005
hysteresis_mm = 0.0005
"""
_WITH_ENCODER = """
[encoder]
port = {encoder}
profile = "encoder.toml"
shaft = "{shaft}"
counts_per_turn = {counts}
calibration_due = 2099-12-31
absolute = true
"""
_WITH_TWO = """
[encoder.gear]
port = {encoder}
profile = "encoder.toml"
counts_per_turn = {counts}
calibration_due = 2099-12-31
absolute = true
{number_of_gear}
[encoder.pinion]
port = {pinion}
profile = "encoder.toml"
counts_per_turn = {pinion_counts}
calibration_due = 2099-12-31
{number_of_pinion}"""
_WITH_GESTURES = """
# The simulated technician says so by a knock that the marked teeth are seen.
[hands_free]
gestures = ["matched"]
still_seconds = 0.5
"""


def examples(_: ExamplesOptions, console: Console) -> None:
    """Say where the example files are."""
    console.print(str(shipped("configs")), soft_wrap=True)


def simulate(options: SimulateOptions, console: Console) -> None:
    """Serve a simulated stand until it is told to stop or its test is closed.

    Raises:
        ConfigurationError: A wrong box file or option.
        StandError: When ports or files cannot be made.
    """
    if options.fault == "list":
        console.print("\n".join(fault.value for fault in Fault))
        return
    need_pseudo_terminals()
    if options.no_encoder and options.no_indicator:
        raise ConfigurationError(
            "--no-indicator", ["a stand with neither instrument sees nothing; leave one"]
        )
    box = toml_file.load(options.box, BoxFile)
    shaft, encoders = _shaft(options.shaft), _encoders(options)
    folder = options.folder.resolve()

    try:
        instruments = SimulatedInstruments(
            indicator_rate_hz=options.rate,
            indicator_resolution_mm=options.resolution_um / 1000.0,
            indicator_unit=box.box.units,
            encoder_shaft=shaft,
            encoders=encoders,
        )
        if encoders != "one":
            instruments = replace(
                instruments, encoder_rate_hz=_PAIR_RATE_HZ, encoder_counts_per_turn=_PAIR_COUNTS
            )
        stand = simulated_stand(box, instruments, seed=options.seed, fault=_fault(options.fault))

        def ready(indicator: Path, encoder: Path) -> None:
            given = None if options.no_indicator else indicator, None if options.no_encoder else encoder
            write_stand(folder, *given, instruments)
            say(console, f"Stand file: {folder / STAND_FILE}")

        served = serve(
            stand,
            folder=folder,
            prompts=folder / "prompts.jsonl",
            truth=options.truth,
            announce=partial(say, console),
            ready=ready,
        )
    except ImpossibleStand as error:
        raise ConfigurationError(str(options.box), [str(error)]) from error
    except OSError as error:
        raise StandError(f"{error.filename or folder}: {error.strerror}; choose another --folder") from error
    say(console, f"Simulated stand ended: {served.ended_because}.")


def simulated_stand(
    box: BoxFile,
    instruments: SimulatedInstruments,
    drive: SimulatedDrive | None = None,
    *,
    seed: int,
    fault: Fault = Fault.NONE,
    fault_from_s: float | None = None,
) -> Stand:
    """The stand of a box file, whose table ``simulated`` may change instruments and drive as well.

    Raises:
        ImpossibleStand: When box, instruments or drive cannot be.
    """
    return Stand(
        simulated_box(box),
        replace(instruments, **_from_table(SimulatedInstruments, box)),
        replace(drive or SimulatedDrive(), **_from_table(SimulatedDrive, box)),
        seed=seed,
        fault=fault,
        fault_from_s=fault_from_s,
    )


def _from_table(
    part: type[SimulatedBox | SimulatedInstruments | SimulatedDrive], box: BoxFile
) -> dict[str, Any]:
    """What the table ``simulated`` says of the box, the instruments or the drive."""
    known = {one.name for one in fields(part)}
    table = box.simulated.model_dump(exclude_none=True)
    return {name: value for name, value in table.items() if name in known}


def simulated_box(box: BoxFile) -> SimulatedBox:
    """The simulated gearbox of a box file; its table ``simulated`` says what is wrong with it."""
    gear_set, tip, place_deg = box.gear_set.gear_set(), box.tip, box.runout.gear_indicator_from_mesh_deg
    return SimulatedBox(
        pinion_teeth=gear_set.pinion_teeth,
        gear_teeth=gear_set.gear_teeth,
        outer_module_mm=gear_set.outer_module_mm,
        face_width_mm=gear_set.face_width_mm,
        normal_pressure_angle_deg=gear_set.normal_pressure_angle_deg,
        mean_spiral_angle_deg=gear_set.mean_spiral_angle_deg,
        shaft_angle_deg=gear_set.shaft_angle_deg,
        cutter_radius_mm=gear_set.cutter_radius_mm,
        touch_radius_mm=tip.touch_radius_mm,
        direction=tip.direction,
        off_normal_deg=tip.off_normal_deg,
        lever_deg=tip.lever_deg,
        on_arm=tip.on_arm,
        touch_radius_uncertainty_mm=tip.touch_radius_uncertainty_mm,
        angle_uncertainty_deg=tip.angle_uncertainty_deg,
        pinion_mounting_error_mm=_less(box.mounting.pinion_set_mm, box.mounting.pinion_marked_mm),
        gear_mounting_error_mm=_less(box.mounting.gear_set_mm, box.mounting.gear_marked_mm),
        matched_teeth_encoder_deg=box.matched_teeth.encoder_deg or 0.0,
        # The simulated indicator has one place, the gear's, for sweeps of both members.
        runout_indicator_from_mesh_deg=90.0 if place_deg is None else place_deg,
        pinion_mounting_distance_mm=box.mounting.pinion_marked_mm,
        gear_mounting_distance_mm=box.mounting.gear_marked_mm,
        **_from_table(SimulatedBox, box),
    )


def _less(actual: float | None, marked: float | None) -> float:
    return 0.0 if marked is None or actual is None else actual - marked


def _shaft(word: str) -> Literal["gear", "pinion"]:
    match word:
        case "gear" | "pinion":
            return word
    raise ConfigurationError("--shaft", [f"expected gear or pinion, got {word!r}"])


def _encoders(options: SimulateOptions) -> Literal["one", "apart", "latched"]:
    match options.encoders:
        case "one":
            return "one"
        case "apart" | "latched" as word if options.no_encoder or options.shaft != "gear":
            beside = "--no-encoder" if options.no_encoder else "--shaft"
            raise ConfigurationError(
                "--encoders", [f"{word} puts one on either shaft, which {beside} contradicts; leave one out"]
            )
        case "apart" | "latched" as word:
            return word
    raise ConfigurationError("--encoders", [f"expected one, apart or latched, got {options.encoders!r}"])


def _fault(word: str) -> Fault:
    try:
        return Fault(word)
    except ValueError:
        known = ", ".join(fault.value for fault in Fault)
        raise ConfigurationError("--fault", [f"expected one of {known}, got {word!r}"]) from None


def write_stand(
    folder: Path, indicator: Path | None, encoder: Path | None, instruments: SimulatedInstruments
) -> None:
    """Leave the stand file and its profiles in ``folder``, the stand file last and whole.

    An instrument that is None is not in it: whoever runs the test counts the teeth, or the encoder alone is
    read.
    """
    text = _STAND.format(prompts=in_toml(str(folder / "prompts.jsonl")))
    if indicator is not None:
        replace_whole(folder / "indicator.toml", _INDICATOR_PROFILE.format(unit=instruments.indicator_unit))
        text += _WITH_INDICATOR.format(
            indicator=in_toml(str(indicator)), resolution_mm=instruments.indicator_resolution_mm
        )
    if encoder is not None:
        text += _encoder_tables(folder, encoder, instruments) + _WITH_GESTURES
    if encoder is not None and indicator is None:
        # Of an encoder beside an indicator it is not wanted, and is not said.
        text = text.replace(
            "absolute = true", f"standard_uncertainty_deg = {_GRADUATION_DEG}\nabsolute = true", 1
        )
    replace_whole(folder / STAND_FILE, text)  # whoever waits for it must never read half of it


def _encoder_tables(folder: Path, encoder: Path, instruments: SimulatedInstruments) -> str:
    """The part of the stand file about encoders; their profile is left in ``folder``."""
    latched = instruments.encoders == "latched"
    replace_whole(folder / "encoder.toml", _LATCHED_PROFILE if latched else _ENCODER_PROFILE)
    counts, port = instruments.encoder_counts_per_turn, in_toml(str(encoder))
    if instruments.encoders == "one":
        return _WITH_ENCODER.format(encoder=port, shaft=instruments.encoder_shaft, counts=counts)
    return _WITH_TWO.format(
        encoder=port,
        counts=counts,
        pinion=port if latched else in_toml(str(encoder.with_name("pinion"))),
        pinion_counts=instruments.pinion_counts_per_turn,
        number_of_gear="number = 1\n" if latched else "",
        number_of_pinion="number = 2\n" if latched else "",
    )
