"""What the instruments send.

The indicator sends one value a line, always of the same width: sign, three digits, point, as many decimals as
its resolution needs, carriage return and line feed: ``+000.1234`` in its own unit. Its zero is wherever the
tip happened to be set down, and creeps. With the tip lifted it shows its lower stop, far from any tooth.

Decided here: values, rounding, the text and what a fault of the indicator does to it; what the encoders send
is `encoders`. When a line is sent is decided by `stand`.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import floor, inf, pi, radians, sin
from random import Random

from lashmap_daemon.simulated_stand.encoders import ONE_COUNT, TWO_COUNTS, Adapter, EncoderWire
from lashmap_daemon.simulated_stand.mesh import Mesh, Truth
from lashmap_daemon.simulated_stand.motion import Motion, Phase
from lashmap_daemon.simulated_stand.passes import PassOrder
from lashmap_daemon.simulated_stand.settings import (
    Fault,
    Shaft,
    SimulatedBox,
    SimulatedDrive,
    SimulatedInstruments,
    StandError,
)

_MM_PER_INCH = 25.4
_LOWER_STOP_MM = -4.0
_ZERO_WITHIN_MM = 0.4
_DRIFT_PERIOD_S = 900.0
_MOST_DECIMALS = 7
_GAP_S = 0.3
_NO_FAULT = Fault.NONE  # looked up once: asked for with every line


class IndicatorWire:
    """The indicator's side of the wire."""

    def __init__(self, instruments: SimulatedInstruments, *, seed: int) -> None:
        """Draw where the drift begins; the first zero is drawn when the tip is first set down."""
        self._per_unit_mm = _MM_PER_INCH if instruments.indicator_unit == "in" else 1.0
        self._resolution = instruments.indicator_resolution_mm / self._per_unit_mm
        decimals = _decimals(self._resolution)
        self._text = f"%+0{5 + decimals}.{decimals}f\r\n" if decimals else "%+04.0f\r\n"
        self._noise_mm = instruments.indicator_noise_mm
        self._linear, self._periodic_mm = instruments.linear_error, instruments.periodic_error_mm
        self._every_mm = instruments.periodic_error_every_mm
        self._play_mm = instruments.hysteresis_mm / 2.0
        self._follower_mm = 0.0
        self._creep_mm = instruments.drift_mm_per_s * _DRIFT_PERIOD_S / (2.0 * pi)
        self._chance = Random(f"{seed}/indicator")  # noqa: S311 - a simulation, not a secret
        self._phase = self._chance.uniform(0.0, 2.0 * pi)
        self._zeros = Random(f"{seed}/zeros")  # noqa: S311 - a simulation, not a secret
        self._zero_mm = 0.0
        self._touchdowns = 0
        self._frozen: bytes | None = None

    def line(self, time_s: float, *, tip_mm: float, lift: float, touchdowns: int, fault: Fault) -> bytes:
        """Return what is sent at a time: a line, or whatever the fault makes of it; empty for nothing."""
        if touchdowns != self._touchdowns:
            self._touchdowns = touchdowns
            self._zero_mm = self._zeros.uniform(-_ZERO_WITHIN_MM, _ZERO_WITHIN_MM)
        noise = self._chance.gauss(0.0, self._noise_mm)
        if fault is not _NO_FAULT and (instead := self._instead_of_a_line(time_s, fault)) is not None:
            return instead
        on_tooth = (
            self._zero_mm + tip_mm + self._creep_mm * sin(2.0 * pi * time_s / _DRIFT_PERIOD_S + self._phase)
        )
        shown_mm = self._indicated_mm(on_tooth * (1.0 - lift) + _LOWER_STOP_MM * lift) + noise
        steps = floor(shown_mm / self._per_unit_mm / self._resolution + 0.5)
        self._frozen = (self._text % (steps * self._resolution + 0.0)).encode("ascii")
        return self._frozen

    def _instead_of_a_line(self, time_s: float, fault: Fault) -> bytes | None:
        if fault is Fault.SILENT or (fault is Fault.GAP and time_s % 1.0 < _GAP_S):
            return b""
        if fault is Fault.GARBAGE:
            return self._chance.randbytes(self._chance.randint(1, 14))
        return self._frozen if fault is Fault.FROZEN_INDICATOR else None

    def _indicated_mm(self, plunger_mm: float) -> float:
        """Return what is made of the plunger's place: the works lag by their play and are not quite even."""
        least, most = plunger_mm - self._play_mm, plunger_mm + self._play_mm
        if self._follower_mm < least:
            self._follower_mm = least
        elif self._follower_mm > most:
            self._follower_mm = most
        shown_mm = self._follower_mm * (1.0 + self._linear)
        if self._periodic_mm:
            shown_mm += self._periodic_mm * sin(2.0 * pi * self._follower_mm / self._every_mm)
        return shown_mm


def _decimals(resolution: float) -> int:
    for decimals in range(_MOST_DECIMALS):
        steps = resolution * 10.0**decimals
        if abs(steps - round(steps)) < 1e-6 * steps:
            return decimals
    return _MOST_DECIMALS


# The simulated stand in virtual time: it is told how long to go on, and returns what its instruments sent.
#
# The same seed, settings and requests at the same times give the same bytes, however the time is cut up.
# Decided here: when a sample is due, and from when to when a fault lasts. Real time and ports are `serve`.


_LOST_AFTER_S = 5.0
_IN_A_TEST = {Fault.LOST_INDICATOR, Fault.JUMPING_ENCODER, Fault.SLIPPING_COUPLING}
_AHEAD = {Fault.JUMPING_ENCODER, Fault.SLIPPING_COUPLING, Fault.SLIPPED_TOOTH}
# Two instruments that nobody synchronised: by how much, as a share, the second one's clock may be off.
_CLOCK_OFF = 5e-5
_JUMP_TEETH = 9
_SLIP_TEETH = 3


@dataclass(frozen=True, kw_only=True)
class Wire:
    """What the instruments sent in a stretch of time.

    Attributes:
        indicator_lines: Each thing sent, in order: whole lines with their ends, unless a fault garbles them.
        encoder_lines: The same of the encoder.
        indicator_times_s: When each was sent, in seconds from the start of the stand.
        encoder_times_s: The same of the encoder; where an adapter holds lines up, when it handed them on.
        pinion_lines: The same of the pinion's encoder on a port of its own.
        pinion_times_s: When each of those was handed on.
    """

    indicator_lines: tuple[bytes, ...]
    encoder_lines: tuple[bytes, ...]
    indicator_times_s: tuple[float, ...]
    encoder_times_s: tuple[float, ...]
    pinion_lines: tuple[bytes, ...] = ()
    pinion_times_s: tuple[float, ...] = ()

    @property
    def indicator(self) -> bytes:
        """All that the indicator sent."""
        return b"".join(self.indicator_lines)

    @property
    def encoder(self) -> bytes:
        """All that the encoder sent."""
        return b"".join(self.encoder_lines)

    @property
    def pinion(self) -> bytes:
        """All that the pinion's encoder sent on a port of its own."""
        return b"".join(self.pinion_lines)


def _refuse_other(member: Shaft) -> None:
    if member not in {"gear", "pinion"}:
        raise StandError(what="member", expected="'gear' or 'pinion'", got=member)


class _Clock:
    """When one instrument sends, and what it has sent since it was last emptied."""

    def __init__(
        self, rate_hz: float, steps_per_s: int, *, first_s: float = 0.0, adapter: Adapter | None = None
    ) -> None:
        self._rate_hz, self._steps_per_s, self._first_s = rate_hz, steps_per_s, first_s
        self._adapter = adapter
        self._count = 0
        self.lines: list[bytes] = []
        self.times_s: list[float] = []
        self._count_on()

    def send(self, line: bytes) -> None:
        """Send something, or nothing, now that it is due."""
        if line:
            self.lines.append(line)
            self.times_s.append(self.due_s)
        self._count_on()

    def empty(self, until_s: float) -> tuple[tuple[bytes, ...], tuple[float, ...]]:
        """Return what was handed on until then, and when, and forget it."""
        if self._adapter is not None:
            sent = self._adapter.hand_on(self.lines, self.times_s, until_s)
        else:
            sent = tuple(self.lines), tuple(self.times_s)
        self.lines.clear()
        self.times_s.clear()
        return sent

    def _count_on(self) -> None:
        # Counted, not added up, so that a rate holds for hours.
        self._count += 1
        self.due_s = self._first_s + self._count / self._rate_hz
        self.due = round(self.due_s * self._steps_per_s)


class Stand:
    """A stand with one box on it."""

    def __init__(
        self,
        box: SimulatedBox,
        instruments: SimulatedInstruments | None = None,
        drive: SimulatedDrive | None = None,
        *,
        seed: int,
        fault: Fault | None = None,
        fault_from_s: float | None = None,
        fault_until_s: float = inf,
    ) -> None:
        """Build the stand, at rest at the matched teeth.

        Args:
            box: The gearbox.
            instruments: Its instruments; None for the usual ones.
            drive: What rocks it; None for the usual one.
            seed: Fixes every error, phase, zero and all noise.
            fault: What is wrong; None for nothing.
            fault_from_s: When it begins, from the start of the stand; by default at once, but a port is lost
                and an encoder jumps or its coupling slips after 5 s only.
            fault_until_s: When it is over.

        Raises:
            StandError: When the box is impossible.
        """
        self._instruments = instruments or SimulatedInstruments()
        self._mesh = Mesh(box, seed=seed)
        self._motion = Motion(self._mesh, drive or SimulatedDrive(), seed=seed)
        self._indicator = IndicatorWire(self._instruments, seed=seed)
        shaft = self._instruments.encoder_shaft
        self._encoder = EncoderWire(box, self._instruments, shaft=shaft, second=False, seed=seed)
        self._pinion = EncoderWire(box, self._instruments, shaft="pinion", second=True, seed=seed)
        self._fault = fault or Fault.NONE
        if fault_from_s is None:
            fault_from_s = _LOST_AFTER_S if self._fault in _IN_A_TEST else 0.0
        self._fault_from_s, self._fault_until_s = fault_from_s, fault_until_s
        self._indicator_clock = _Clock(self._instruments.indicator_rate_hz, self._motion.steps_per_s)
        self._on_gear, self._latched = shaft == "gear", self._instruments.encoders == "latched"
        self._encoder_clock, self._pinion_clock = self._encoder_clocks(seed)
        self._time_s = 0.0
        self._ratio = box.gear_teeth / box.pinion_teeth
        self._tooth_rad = 2.0 * pi / box.gear_teeth
        self._asked: tuple[int, float] | None = None
        self._ahead_rad = 0.0  # of the teeth, as gear angle: what the encoder shows too much …
        self._ahead_at_marks_rad = 0.0  # … and did when it was set by the marks
        self._turned_from_rad: float | None = None

    @property
    def time_s(self) -> float:
        """Seconds since the start of the stand."""
        return self._time_s

    @property
    def truth(self) -> Truth:
        """What a perfect test would find."""
        return self._mesh.truth()

    @property
    def indicator_lost(self) -> bool:
        """Whether the indicator's port is gone by now."""
        return self._fault_at(self._time_s) is Fault.LOST_INDICATOR

    @property
    def two_ports(self) -> bool:
        """Whether the pinion's encoder has a port of its own."""
        return self._pinion_clock is not None

    @property
    def tip_is_down(self) -> bool:
        """Whether the tip stands on a tooth, as whoever is at the stand can see."""
        return self._motion.lift() == 0.0

    def ask(self, engagement: int, *, rolled: float = 0.0, by_eye: bool = False) -> None:
        """Show another target: the stand turns there and rocks on; the one in hand changes nothing.

        Args:
            engagement: Where to.
            rolled: Pitches by which the pair is to be rolled on from there.
            by_eye: Whoever turns it goes by the marks on the teeth, and by the encoder as it is there from
                then on. Otherwise by the encoder alone: to other teeth than those asked for when it is wrong.
        """
        self._asked = None if by_eye else (engagement, rolled)
        if by_eye:
            self._ahead_at_marks_rad = self._ahead_rad
        self._motion.ask(engagement - self._wrong_teeth, rolled)

    def rolled(self, engagement: int, gear_angle_deg: float) -> float:
        """Return how far an angle of the gear is past an engagement, in pitches, to a third of one."""
        return round(3.0 * (radians(gear_angle_deg) / self._tooth_rad - engagement)) / 3.0

    def see_mark(self, member: Shaft) -> None:
        """Bring the marked tooth of a member into the mesh by the eye, and say so by a knock.

        It goes to the nearest of the member's turns, stands there, is turned some teeth away and back, and
        stands again.

        Raises:
            StandError: When there is no such member.
        """
        _refuse_other(member)
        self._asked = None
        self._motion.see_mark(member)

    def sweep(self, member: Shaft) -> None:
        """Measure a member's runout: set the indicator on its pitch surface, then turn it on and on.

        The indicator stands square to the pitch cone at the outer end, at the box's
        `runout_indicator_from_mesh_deg`, and reads more as the surface comes towards it. After about a second
        at rest the member is turned positively, the other with it, until something else is asked; the sweep
        in hand changes nothing.

        Raises:
            StandError: When there is no such member.
        """
        _refuse_other(member)
        self._asked = None
        self._motion.sweep(member)

    @property
    def pass_is_over(self) -> bool:
        """Whether the pass that was asked for last has ended, as whoever is at the stand can see."""
        return self._motion.pass_is_over

    def make_pass(self, order: PassOrder) -> None:
        """Turn the pinion one way, as far as is asked and some of a tooth more, with a brake on the gear.

        The tip is lifted, the brake put on in about a second, and the stand rests afterwards where the pass
        has ended. An order is obeyed once: the same one again changes nothing.
        """
        self._asked = None
        self._motion.make_pass(order)

    def rest(self) -> None:
        """Stop rocking or turning and lift the tip."""
        self._asked = None
        self._motion.rest()

    def advance(self, seconds: float) -> Wire:
        """Let time pass.

        Args:
            seconds: How long, not negative.

        Returns:
            What both instruments sent meanwhile.

        Raises:
            StandError: When time would run backwards.
        """
        if not seconds >= 0.0:
            raise StandError(what="seconds", expected="at least 0", got=seconds)
        self._time_s += seconds
        end = int(self._time_s * self._motion.steps_per_s)
        indicator, encoder, motion = self._indicator_clock, self._encoder_clock, self._motion
        pinion = self._pinion_clock
        fault, now = _NO_FAULT, -1
        while now < end:  # a few thousand times a second
            now = min(end, indicator.due, encoder.due)
            if (change := motion.next_change) is not None:
                now = min(now, change)
            if pinion is not None and pinion.due < now:
                now = pinion.due
            if self._fault is not _NO_FAULT:
                motion.fault = fault = self._fault_at(now / motion.steps_per_s)
            motion.run_to(now)
            if fault is not _NO_FAULT and fault in _AHEAD:
                self._run_ahead(fault)
            if now == indicator.due:
                indicator.send(self._indicator_line(indicator.due_s, fault))
            if now == encoder.due:
                encoder.send(self._encoder_line(encoder.due_s, fault))
            if pinion is not None and now == pinion.due:
                pinion.send(ONE_COUNT % self._pinion.count(motion.pinion_rad(), pinion.due_s, _NO_FAULT))
        indicator_lines, indicator_times_s = indicator.empty(self._time_s)
        encoder_lines, encoder_times_s = encoder.empty(self._time_s)
        pinion_lines, pinion_times_s = ((), ()) if pinion is None else pinion.empty(self._time_s)
        return Wire(
            indicator_lines=indicator_lines,
            encoder_lines=encoder_lines,
            indicator_times_s=indicator_times_s,
            encoder_times_s=encoder_times_s,
            pinion_lines=pinion_lines,
            pinion_times_s=pinion_times_s,
        )

    def _encoder_clocks(self, seed: int) -> tuple[_Clock, _Clock | None]:
        instruments, steps_per_s = self._instruments, self._motion.steps_per_s

        def adapter(late_s: float, name: str) -> Adapter | None:
            every_s = instruments.adapter_s
            return Adapter(late_s, every_s, seed=f"{seed}/{name}") if late_s > 0.0 or every_s else None

        on_gear = adapter(max(instruments.encoder_late_s, 0.0), "adapter")
        encoder = _Clock(instruments.encoder_rate_hz, steps_per_s, adapter=on_gear)
        if instruments.encoders != "apart":
            return encoder, None
        chance = Random(f"{seed}/clocks")  # noqa: S311 - a simulation, not a secret
        rate_hz = instruments.pinion_rate_hz * (1.0 + chance.uniform(-_CLOCK_OFF, _CLOCK_OFF))
        on_pinion = adapter(max(-instruments.encoder_late_s, 0.0), "pinion adapter")
        first_s = chance.random() / rate_hz
        return encoder, _Clock(rate_hz, steps_per_s, first_s=first_s, adapter=on_pinion)

    def _indicator_line(self, time_s: float, fault: Fault) -> bytes:
        motion = self._motion
        return self._indicator.line(
            time_s,
            tip_mm=self._tip_mm(),
            lift=motion.lift(),
            touchdowns=motion.touchdowns,
            fault=fault,
        )

    def _tip_mm(self) -> float:
        motion = self._motion
        if motion.touched is None:
            return motion.tip_mm()
        turn_rad = motion.gear_rad() if motion.touched == "gear" else motion.pinion_rad()
        return self._mesh.runout_mm(motion.touched, turn_rad)

    def _encoder_line(self, time_s: float, fault: Fault) -> bytes:
        if self._on_gear:
            angle_rad = self._motion.gear_rad() + self._ahead_rad
        else:
            angle_rad = self._motion.pinion_rad() + self._ahead_rad * self._ratio
        count = self._encoder.count(angle_rad, time_s, fault)
        if not self._latched:
            return ONE_COUNT % count
        return TWO_COUNTS % (count, self._pinion.count(self._motion.pinion_rad(), time_s, _NO_FAULT))

    @property
    def _wrong_teeth(self) -> int:
        """How many teeth whoever goes by the encoder is too far back."""
        return round((self._ahead_rad - self._ahead_at_marks_rad) / self._tooth_rad)

    def _run_ahead(self, fault: Fault) -> None:
        """Let the encoder get ahead of the teeth; the target in hand is then found at others."""
        before = self._wrong_teeth
        if fault is Fault.SLIPPED_TOOTH:
            if self._motion.past_half:
                self._ahead_rad = self._tooth_rad
        elif fault is Fault.JUMPING_ENCODER:
            self._ahead_rad = _JUMP_TEETH * self._tooth_rad
        elif self._ahead_rad < (most_rad := _SLIP_TEETH * self._tooth_rad):
            # It begins with the next turn to a position, and is as quick as that.
            if self._motion.phase is not Phase.TURNING:
                self._turned_from_rad = None
                self._ahead_rad = most_rad if self._ahead_rad > 0.0 else 0.0
            elif self._turned_from_rad is None:
                self._turned_from_rad = self._motion.gear_rad()
            else:
                turned_rad = abs(self._motion.gear_rad() - self._turned_from_rad)
                self._ahead_rad = min(turned_rad / 2.0, most_rad)
        if self._asked is not None and before != self._wrong_teeth:
            engagement, rolled = self._asked
            self.ask(engagement, rolled=rolled)

    def _fault_at(self, time_s: float) -> Fault:
        return self._fault if self._fault_from_s <= time_s < self._fault_until_s else Fault.NONE
