"""Profiles proposed from traffic written here: what was written must be read back, or refused."""

from __future__ import annotations

import random
import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lashmap_drivers.capture.proposal import CaptureRefused, Proposal, least_share, propose
from lashmap_drivers.kinds import build
from lashmap_drivers.ports.source import PortSettings
from lashmap_drivers.wire.checksums import CRC_BY_NAME, Checksum
from scipy.stats import beta

VALUES = [round(0.0371 * step - 3.0, 4) for step in range(200)]


def traffic(lines: list[str], ending: str = "\r\n") -> bytes:
    """A capture as it comes: it begins and ends in the middle of a line."""
    whole = ending.join(lines) + ending
    return (lines[-1][-3:] + ending + whole + lines[0][:4]).encode("ascii")


def filled_in(proposal: Proposal) -> dict[str, Any]:
    """The proposed profile as a file, with mm where its unit was left to the person."""
    tree = tomllib.loads(proposal.toml())
    return tree | ({"unit": "mm"} if tree["unit"] == "?" else {})


def read_back(proposal: Proposal, data: bytes) -> list[float]:
    """What the proposed profile, written to a file and read again, makes of the traffic."""
    tree = filled_in(proposal)
    return [float(value) for value in build(tree).make_parser().feed(data)]


def certainty(proposal: Proposal, what: str) -> str:
    return next(finding.certainty for finding in proposal.findings if finding.what == what)


@pytest.mark.parametrize("ending", ["\r\n", "\r", "\n"])
@pytest.mark.parametrize(
    "form", ["{:+09.4f}", "{:+.4f}", "{:+8.3f} mm", "V={:+.3f};", "{:.3f}", "X {:+.4f} mm OK"]
)
def test_lines_of_one_number(form: str, ending: str) -> None:
    values = [abs(value) for value in VALUES] if "+" not in form else VALUES
    data = traffic([form.format(value) for value in values], ending)
    proposal = propose(data, PortSettings(baud=9600))
    digits = 3 if ".3" in form else 4
    assert read_back(proposal, data) == pytest.approx([round(value, digits) for value in values], abs=1e-12)
    assert (proposal.lines, proposal.fitting) == (200, 200)
    assert proposal.keys["terminator"] == ending
    assert tomllib.loads(proposal.toml())["port"]["baud"] == 9600
    assert certainty(proposal, "unit") == ("sure" if "mm" in form else "guess")
    # n of n: the bound solves p**n = 0.05 (Clopper and Pearson, one-sided).
    assert proposal.least_share**200 == pytest.approx(0.05)


def test_a_decimal_comma_a_sign_apart_and_a_status_letter() -> None:
    lines = [
        f"{'-' if value < 0 else '+'} {abs(value):7.3f} mm {'L' if step % 9 == 0 else 'K'}".replace(".", ",")
        for step, value in enumerate(VALUES)
    ]
    proposal = propose(traffic(lines))
    assert read_back(proposal, traffic(lines)) == pytest.approx(
        [round(value, 3) for value in VALUES], abs=1e-12
    )
    assert proposal.keys["decimal"] == ","
    assert certainty(proposal, "status") == "guess"  # nothing on the wire says what L means
    assert proposal.certainty == "guess"


def test_a_comma_between_fields_is_no_decimal_mark() -> None:
    lines = [f"IND,{value:+.4f},in" for value in VALUES]
    proposal = propose(traffic(lines))
    assert read_back(proposal, traffic(lines)) == VALUES
    assert proposal.keys["unit"] == "in"
    assert proposal.certainty == "sure"


def test_units_that_change_are_converted() -> None:
    lines = [f"{value:+.4f} {'in' if step % 2 else 'mm'}" for step, value in enumerate(VALUES)]
    proposal = propose(traffic(lines))
    factors = {"in": 1.0, "mm": 1.0 / 25.4} if proposal.keys["unit"] == "in" else {"in": 25.4, "mm": 1.0}
    expected = [value * factors["in" if step % 2 else "mm"] for step, value in enumerate(VALUES)]
    assert read_back(proposal, traffic(lines)) == pytest.approx(expected, rel=1e-12)


def test_counts_are_proposed_as_a_counter_but_only_guessed() -> None:
    lines = [f"{37 * step - 3000:+010d}" for step in range(200)]
    proposal = propose(traffic(lines))
    assert proposal.keys["kind"] == "counter board"
    assert read_back(proposal, traffic(lines)) == [37.0 * step - 3000 for step in range(200)]
    assert certainty(proposal, "unit") == "guess"


COUNTS = [(37 * step - 3000, -12 * step + 70) for step in range(200)]


@pytest.mark.parametrize(
    ("form", "sure"),
    [
        ("{:+011d},{:+011d}", "sure"),
        ("{:d},{:d}", "sure"),  # no decimal comma between whole numbers
        ("A{:+d} B{:+d}", "sure"),
        ("{:+d};{:+d};1", "likely"),
        ("$C1={:+07d};C2={:+07d}", "likely"),  # four numbers, of which two change
    ],
)
def test_the_counts_of_two_encoders_are_found_in_one_line(form: str, sure: str) -> None:
    data = traffic([form.format(*one) for one in COUNTS])
    proposal = propose(data, quantity="two counts")
    board = build(tomllib.loads(proposal.toml()))
    other = board.second()
    assert other is not None
    assert list(board.make_parser().feed(data)) == [float(first) for first, _ in COUNTS]
    assert list(other.make_parser().feed(data)) == [float(second) for _, second in COUNTS]
    assert certainty(proposal, "counts") == sure
    assert proposal.certainty == "guess"  # whose count is whose is not on the wire


def test_of_a_running_number_and_two_counts_nobody_is_sure() -> None:
    data = traffic([f"{step},{first:+d},{second:+d}" for step, (first, second) in enumerate(COUNTS)])
    assert certainty(propose(data, quantity="two counts"), "counts") == "guess"


def test_shafts_that_stand_still_show_two_counts_as_well() -> None:
    data = traffic(["+0000001234,-0000000042"] * 20)
    assert certainty(propose(data, quantity="two counts"), "counts") == "sure"


@pytest.mark.parametrize("line", ["{:+d}", "{:+d} {:.2f}", "{:.1f} {:.2f}"])
def test_a_line_without_two_whole_numbers_is_refused_for_two_encoders(line: str) -> None:
    data = traffic([line.format(*one) for one in COUNTS])
    with pytest.raises(CaptureRefused, match="no two whole numbers"):
        propose(data, quantity="two counts")


def test_several_numbers_are_never_called_sure() -> None:
    rng = random.Random(3)  # noqa: S311 - must repeat
    lines = [f"{step:06d} {value:+.4f} {rng.uniform(19.0, 21.0):.2f}" for step, value in enumerate(VALUES)]
    proposal = propose(traffic(lines))
    assert certainty(proposal, "value") == "guess"
    lines = [f"CH1 {value:+.4f} mm" for value in VALUES]
    assert certainty(propose(traffic(lines)), "value") == "likely"


@pytest.mark.parametrize(
    "keys",
    [
        {"method": "xor"},
        {"method": "sum"},
        {"method": "sum", "negated": "twos"},
        {"method": "sum", "bits": 16},
        *({"method": "crc", "crc": name} for name in CRC_BY_NAME),
    ],
    ids=lambda keys: keys.get("crc") or "-".join(map(str, keys.values())),
)
@pytest.mark.parametrize("around", [("", "*"), ("$", "*"), ("", "")])
def test_every_known_checksum_is_found(keys: dict[str, Any], around: tuple[str, str]) -> None:
    first, mark = around
    checksum = Checksum.model_validate(keys)
    compute, digits = checksum.compute(), checksum.width // 4
    texts = [f"{value:+.4f}" for value in VALUES[:60]]
    lines = [f"{first}{text}{mark}{compute(text.encode()):0{digits}X}" for text in texts]
    data = traffic(lines)
    proposal = propose(data)
    assert certainty(proposal, "checksum") == "sure"
    assert read_back(proposal, data) == VALUES[:60]
    damaged = data.replace(texts[30].encode(), texts[31].encode(), 1)
    assert read_back(proposal, damaged) == VALUES[:30] + VALUES[31:60]


def test_an_unknown_checksum_is_told_to_be_one() -> None:
    rng = random.Random(4)  # noqa: S311 - must repeat
    lines = [f"{value:+.4f}*{rng.randrange(65536):04X}" for value in VALUES]
    proposal = propose(traffic(lines))
    assert certainty(proposal, "checksum") == "guess"
    assert read_back(proposal, traffic(lines)) == VALUES


def test_a_few_damaged_lines_lower_the_bound() -> None:
    lines = [f"{value:+.4f}" for value in VALUES]
    lines[50], lines[120] = "+1.#4", "rubbish"
    proposal = propose(traffic(lines))
    assert proposal.fitting == 198
    assert proposal.least_share == least_share(198, 200)


@pytest.mark.parametrize(
    ("fitting", "lines"), [(8, 8), (7, 8), (4, 8), (198, 200), (120, 200), (49_999, 50_000), (25_001, 50_000)]
)
def test_the_bound_is_that_of_clopper_and_pearson(fitting: int, lines: int) -> None:
    """One-sided, 95 %: a quantile of the beta distribution, here by SciPy."""
    bound = float(beta.ppf(0.05, fitting, lines - fitting + 1))
    assert least_share(fitting, lines) == pytest.approx(bound, rel=1e-9)


@pytest.mark.parametrize(
    ("data", "complaint"),
    [
        (b"", "nothing came"),
        (b"1.5\r\n2.5\r\n", "only 0 whole lines|only 1 whole lines"),
        (b"hello\r\n" * 30, "hold no number"),
        (b"1.5" * 200, "no line ends"),
        (bytes(range(256)) * 8, "try another baud or parity"),
    ],
)
def test_what_is_no_line_of_numbers_is_refused(data: bytes, complaint: str) -> None:
    with pytest.raises(CaptureRefused, match=complaint):
        propose(data)


def test_parity_in_the_eighth_bit_is_recognised() -> None:
    text = traffic([f"{value:+.4f}" for value in VALUES])
    with_parity = bytes(byte | (0x80 if byte.bit_count() % 2 else 0) for byte in text)
    with pytest.raises(CaptureRefused, match="data_bits = 7"):
        propose(with_parity)


@given(st.binary(max_size=3000))
def test_any_bytes_are_proposed_or_refused(data: bytes) -> None:
    for capture in (data, b"1.5\r\n" * 20 + data, data.hex().encode() + b"\r\n" * 20):
        try:
            proposal = propose(capture)
        except CaptureRefused:
            continue
        assert 0 < proposal.fitting <= proposal.lines
        build(filled_in(proposal))


@pytest.mark.parametrize(
    ("form", "unit"),
    [
        ("{0:8.4f}", "?"),  # blanks before the number, as many as it needs
        ("{0: .4f} mm", "mm"),
        ("IN{0:+.4f}", "in"),
        ('{0:+.4f}"', "in"),
        ("{1:.4f}{2} mm", "mm"),  # the sign behind the number
        ("{3} {0:.4f} {3}", "?"),
        ("{3:6d} {0:+.4f}{3:7d}", "?"),
    ],
)
def test_the_proposal_reads_sign_and_unit_as_they_were_sent(form: str, unit: str) -> None:
    rng = random.Random(5)  # noqa: S311 - must repeat
    values = [rng.uniform(-2.0, 2.0) for _ in range(100)]
    lines = [
        form.format(value, abs(value), "-" if value < 0 else "+", step) for step, value in enumerate(values)
    ]
    proposal = propose(traffic(lines))
    assert proposal.keys["unit"] == unit
    parser = build({**filled_in(proposal), "sends": "on its button"}).make_parser()
    read = list(parser.feed("".join(line + "\r\n" for line in lines).encode()))
    assert read == [round(value, 4) for value in values]


def test_letters_that_may_be_the_sign_are_named() -> None:
    proposal = propose(traffic([f"{'N' if value < 0 else 'P'}{abs(value):.4f}" for value in VALUES]))
    assert proposal.certainty == "guess"
    assert "before the number may be its sign" in proposal.toml()


def test_a_checksum_is_not_believed_from_one_line_said_again_and_again() -> None:
    body = b"+0.1234"
    line = f"{body.decode()}*{Checksum(method='xor').compute()(body):02X}"
    assert "checksum" not in propose(traffic([line] * 40)).keys


def test_traffic_of_many_layouts_is_refused() -> None:
    forms = ("{0:+.4f}", "{0:+.4f} mm", "A{0:+.4f}", "{0:+.4f};{1}", "#{1}")
    lines = [forms[step % 5].format(value, step) for step, value in enumerate(VALUES)]
    with pytest.raises(CaptureRefused, match="no layout fits most lines"):
        propose(traffic(lines))


DEGREES = [round(0.37 * step, 3) for step in range(200)]


@pytest.mark.parametrize(
    "form",
    [
        "{:07.3f} deg",
        "{:.3f}deg",
        "{:.3f} DEG OK",
        "A={:+08.3f} degrees",
        "{:.3f}\xb0",
        "{:.3f} \xb0",
        "{:07.3f}\xb0;OK",
    ],
)
@pytest.mark.parametrize("encoding", ["latin-1", "utf-8"])
def test_an_encoder_in_degrees_is_proposed_in_degrees(form: str, encoding: str) -> None:
    data = "".join(f"{form.format(value)}\r\n" for value in DEGREES).encode(encoding)
    proposal = propose(data, quantity="angle")
    assert proposal.keys["unit"] == "deg"
    assert certainty(proposal, "unit") == "sure"
    profile = build(tomllib.loads(proposal.toml()))
    assert profile.quantity == "angle"
    assert "add wraps_at_deg = 360" in proposal.toml()
    read = [float(value) for value in profile.make_parser().feed(data)]
    assert read == DEGREES[1:]  # the first line may have begun before


def test_degrees_that_are_not_sent_are_taken_from_what_was_asked_for() -> None:
    data = traffic([f"{value:07.3f}" for value in DEGREES])
    encoder = propose(data, quantity="angle")
    assert (encoder.keys["unit"], certainty(encoder, "unit")) == ("deg", "guess")
    assert build(tomllib.loads(encoder.toml())).quantity == "angle"


@pytest.mark.parametrize("form", ["{:+.4f}", "{:+07.0f}"])
def test_a_length_whose_unit_is_not_sent_is_left_to_the_person(form: str) -> None:
    proposal = propose(traffic([form.format(1e3 * value) for value in VALUES]), quantity="length")
    text = proposal.toml()
    assert 'unit = "?"  # to be filled in: see above' in text
    assert '# unit: none is sent: write "mm", "in" or "um", as the display shows' in text
    assert proposal.certainty == "guess"
    with pytest.raises(ValueError, match="unit"):  # nobody can use it by mistake
        build(tomllib.loads(text))


@pytest.mark.parametrize(
    ("form", "unit", "sure"),
    [
        ("{:+.4f} ; ; mm", "mm", "likely"),
        ("[mm] #1: {:+.4f}", "mm", "likely"),
        ("{:+.4f} \xb5m", "um", "sure"),
        ("{:+.4f}mmOK", "?", "guess"),
    ],
)
def test_lines_that_hold_a_unit_are_never_said_to_send_none(form: str, unit: str, sure: str) -> None:
    data = "".join(f"{form.format(value)}\r\n" for value in VALUES).encode("utf-8")
    proposal = propose(data, quantity="length")
    assert "none is sent" not in proposal.toml()
    assert (proposal.keys["unit"], certainty(proposal, "unit")) == (unit, sure)
    build(filled_in(proposal))


def test_the_unit_of_the_other_instrument_is_told_and_not_proposed() -> None:
    proposal = propose(traffic([f"{value:+.4f} mm" for value in VALUES]), quantity="angle")
    assert proposal.keys["unit"] == "?"
    assert (
        "the word 'mm' is no unit of angle, but an encoder was asked for: is this its port?"
        in proposal.toml()
    )


def test_of_two_numbers_the_one_with_a_fitting_unit_is_read() -> None:
    lines = [f"{value:+.4f} mm {angle:.2f} deg" for value, angle in zip(VALUES, DEGREES, strict=True)]
    assert read_back(propose(traffic(lines), quantity="length"), traffic(lines)) == VALUES
    angles = [round(angle, 2) for angle in DEGREES]
    assert read_back(propose(traffic(lines), quantity="angle"), traffic(lines)) == angles
