"""Every text of every kind, read aloud so to say: length, alphabet, units, a verb to act on, no number finer than its doubt."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from alerts.rig import T0_MS
from holdwater.alerts.kind import Kind
from holdwater.alerts.kinds import KINDS
from holdwater.alerts.matter import Severity
from holdwater.alerts.telling import Phase, Telling, clock_text, cut, plain, span_text
from holdwater.alerts.texts import Text, texts
from holdwater.units import Measure, System

ZONE = ZoneInfo("America/Denver")
# GSM 7-bit default alphabet (3GPP TS 23.038, 6.2.1), of which we use what is also ASCII; ^ { } [ ] \\ ~ | take two places there.
ALPHABET = re.compile(r"[A-Za-z0-9 .,:;!?'\"()/%&+\-=*<>#@$_]+")
VERBS = (
    "check", "haul", "read", "look", "shut", "use", "unhook", "drain", "dip", "copy", "replace", "open", "test", "stop", "charge", "do not",
    "clean", "find", "turn", "run", "let", "flush", "move", "measure", "go", "ask", "wait",
)  # fmt: skip


def every(system: System = "US") -> Iterator[Text]:
    for kind in KINDS.values():
        yield from texts(kind, Measure(system), ZONE)


def _name(text: Text) -> str:
    return f"{text.kind}-{text.case}-{text.phase.value}"


BOTH = [pytest.param(text, id=f"{system}-{_name(text)}") for system in ("US", "metric") for text in every(system)]  # type: ignore[arg-type]


@pytest.mark.parametrize("text", BOTH)
def test_short_text_fits_one_message_and_its_alphabet(text: Text) -> None:
    """At most 160 characters, each of them one place of a text message."""
    assert len(text.short) <= 160
    assert ALPHABET.fullmatch(text.short), sorted(set(text.short) - set("".join(ALPHABET.findall(text.short))))
    assert "  " not in text.short
    assert "None" not in text.short + text.long
    assert "?" not in text.short.replace("open?", "").replace("watering?", "") or text.short.count("?") <= 2


@pytest.mark.parametrize("text", BOTH)
def test_text_says_what_to_do(text: Text) -> None:
    """A verb to act on, as a word of its own; *act now* begins with it."""
    words = text.short.lower()
    assert any(re.search(rf"\b{verb}\b", words) for verb in VERBS), words
    assert text.short.startswith("ACT NOW") == (text.severity is Severity.NOW and text.phase is not Phase.CLEAR)


@pytest.mark.parametrize("text", BOTH)
def test_long_text_says_at_least_as_much(text: Text) -> None:
    """It begins with the short one, in plain characters, and ends a sentence."""
    assert text.long.startswith(text.short)
    assert text.long.isascii()
    assert text.long.rstrip()[-1] in ".?" or text.long.rstrip().endswith(text.long.split()[-1])


@pytest.mark.parametrize("text", [pytest.param(text, id=_name(text)) for text in every("metric")])
def test_metric_household_reads_no_us_unit(text: Text) -> None:
    """No gallon, inch or Fahrenheit where the household writes metric."""
    assert not re.search(r"\b\d[\d.]* ?(gal|in|ft|F|psi)\b", text.short), text.short


@pytest.mark.parametrize("text", [pytest.param(text, id=_name(text)) for text in every("US")])
def test_us_household_reads_no_metric_unit(text: Text) -> None:
    """No litre or Celsius where the household writes US units."""
    assert not re.search(r"\b\d[\d.]* ?(L|cm|C|mm)\b", text.short), text.short


@pytest.mark.parametrize("kind", KINDS.values(), ids=list(KINDS))
def test_kind_is_complete(kind: Kind) -> None:
    """Name, manual entry with what to do, samples, an end past its beginning."""
    assert re.fullmatch(r"[a-z]+(-[a-z]+)*", kind.name)
    assert kind.title == kind.name.replace("-", " ")
    assert "What to do:" in kind.manual
    assert kind.samples
    raise_at, clear_at = kind.defaults.raise_at, kind.defaults.clear_at
    if raise_at is not None and clear_at is not None:
        assert (clear_at < raise_at) is kind.rises
    assert all(name in KINDS for name in kind.held_by)


CAUTIONS = {
    "low": ["surge", "not safety"],
    "freezing": ["GFCI", "flame", "all-clear"],
    "in-doubt": ["Never lean or climb"],
    "silent": ["Do not plan on it"],
}


@pytest.mark.parametrize(("kind", "words"), CAUTIONS.items(), ids=list(CAUTIONS))
def test_text_carries_its_caution_where_it_can_hurt(kind: str, words: list[str]) -> None:
    """The caution stands in a text of the kind itself, not in a footnote."""
    told = " ".join(text.long for text in texts(KINDS[kind], Measure("US"), ZONE))
    for each in words:
        assert each in told


def _sample(kind: Kind, sample: dict, **more: object) -> Telling:  # type: ignore[type-arg]
    return Telling(
        str(more.get("subject", sample.get("subject", "drinking"))), Phase.RAISE, sample.get("severity", kind.severity),
        T0_MS - 3_600_000, T0_MS,
        dict(sample.get("numbers", {})), dict(sample.get("words", {})), Measure("US"), ZONE,
    )  # fmt: skip


@pytest.mark.parametrize("kind", KINDS.values(), ids=list(KINDS))
@settings(max_examples=40)
@given(subject=st.text(min_size=1, max_size=80), words=st.text(max_size=200), days=st.integers(0, 4000))
def test_long_names_and_reasons_never_break_a_text(kind: Kind, subject: str, words: str, days: int) -> None:
    """Whatever a tank is called or a peer answers: the text goes out in 160 plain characters, still saying what it is."""
    for sample in kind.samples:
        for phase in Phase:
            told = _sample(kind, dict(sample), subject=subject)
            told = replace(
                told,
                phase=phase,
                since_ms=T0_MS - days * 86_400_000,
                words=dict.fromkeys([*told.words, "reason", "words", "tank"], words),
            )
            short = cut(kind.short(told), 160)
            assert len(short) <= 160
            assert short.isascii()
            assert short.isprintable()
            assert plain(kind.long(told)).isprintable()


@pytest.mark.parametrize("kind", KINDS.values(), ids=list(KINDS))
def test_text_without_any_figure_is_still_a_text(kind: Kind) -> None:
    """After an update a saved notice may lack a figure: no exception, no wrong number."""
    for phase in Phase:
        told = Telling("drinking", phase, kind.severity, T0_MS, T0_MS)
        assert kind.short(told)
        assert kind.long(told)


@pytest.mark.parametrize(("u_gal", "expected"), [(0.2, "81.3 gal"), (2.0, "81 gal"), (20.0, "80 gal")])
def test_no_number_is_finer_than_its_doubt(u_gal: float, expected: str) -> None:
    """Tenths, ones or tens of gallons by the standard uncertainty."""
    gal = 0.003785411784
    told = Telling(
        "drinking",
        Phase.RAISE,
        Severity.TODAY,
        T0_MS,
        T0_MS,
        {"on_hand_m3": 81.3 * gal, "reserve_m3": 90 * gal, "u_m3": u_gal * gal},
    )
    assert expected in KINDS["low"].short(told)


def test_times_are_said_as_a_household_says_them() -> None:
    """Hour alone today, weekday this week, date before that; US and metric."""
    us, metric = Measure("US"), Measure("metric")
    assert clock_text(T0_MS - 21_000_000, T0_MS, ZONE, us) == "2:10am"
    assert clock_text(T0_MS - 86_400_000, T0_MS, ZONE, us) == "Sun 8:00am"
    assert clock_text(T0_MS - 10 * 86_400_000, T0_MS, ZONE, us) == "18 Sep 8:00am"
    assert clock_text(T0_MS + 8 * 3_600_000, T0_MS, ZONE, metric) == "16:00"
    assert clock_text(T0_MS + 4 * 3_600_000, T0_MS, ZONE, us) == "12:00pm"


def test_a_length_of_time_has_one_unit() -> None:
    """Seconds, minutes, hours, days."""
    assert [span_text(each) for each in (40, 360, 10_800, 200_000, -5)] == ["40 s", "6 min", "3 h", "2 days", "0 s"]


def test_text_is_cut_at_a_word_and_says_so() -> None:
    """Two dots, no half word where a space is near; accents dropped, control characters gone."""
    assert cut("seven eight nine", 15) == "seven eight.."
    assert cut("abcdefghijklmnop", 8) == "abcdef.."
    assert plain("caf\u00e9\n\x1b[31m") == "cafe [31m"
    assert plain("\u6c34") == "?"
    assert plain("") == ""
