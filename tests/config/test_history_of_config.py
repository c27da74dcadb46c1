"""What changed between two configs, and from when it counts."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwater.config.history import compare, redoes

OLD = """
[site]
name = "A"
timezone = "America/Denver"
[tank.drinking]
use = "drinking"
shape = { kind = "upright cylinder", diameter = "42 in", height = "66 in" }
reserve = "90 gal"
[[tank.drinking.link]]
height = "1 in"
[sensor.level]
tank = "drinking"
height = "1 in"
from = 2026-07-01
[[sensor.level.calibration]]
from = 2026-08-01
offset = "1 in"
[route.shed]
unit = "in"
[channel.phone]
kind = "log"
[notice.low]
raise_after = "10 min"
"""


def change(before, after):
    """The one change between OLD and OLD with a text replaced."""
    assert before in OLD
    (found,) = compare(OLD, OLD.replace(before, after))
    return found


def test_a_corrected_shape_applies_to_the_past():
    """The tank was always so; it was measured wrongly."""
    found = change('diameter = "42 in"', 'diameter = "43 in"')
    assert found.words == "drinking: diameter 42 in -> 43 in: applies to the past"
    assert (found.key, found.subject, found.applies) == ("tank.drinking.shape.diameter", "drinking", "past")
    assert change('height = "1 in"\n[sensor', 'height = "2 in"\n[sensor').words == (
        "drinking: link 1.height 1 in -> 2 in: applies to the past"
    )


def test_an_overflow_added_applies_to_the_past():
    """It was there, only not written down."""
    found = change('reserve = "90 gal"', 'reserve = "90 gal"\noverflow = "62 in"')
    assert found.words == "drinking: overflow 62 in added: applies to the past"


def test_what_is_wanted_of_a_tank_counts_from_now_on():
    """A reserve is no fact of the past."""
    found = change('reserve = "90 gal"', 'reserve = "80 gal"')
    assert found.words == "drinking: reserve 90 gal -> 80 gal: applies from now on"
    assert found.applies == "now"


def test_a_mount_counts_from_its_date():
    """And a mount without a date for all its readings."""
    found = change('height = "1 in"\nfrom = 2026-07-01', 'height = "2 in"\nfrom = 2026-07-01')
    assert found.words == "level: height 1 in -> 2 in: applies from 2026-07-01 on"
    assert found.applies == "stated"
    (dateless,) = compare('[sensor.a]\nheight = "1 in"\n', '[sensor.a]\nheight = "2 in"\n')
    assert dateless.words == "a: height 1 in -> 2 in: applies to all its readings (it states no from)"
    dated = "[sensor.a]\nx = {}\nfrom = 2026-01-01\nuntil = 2026-02-01\n"
    (span,) = compare(dated.format(1), dated.format(2))
    assert span.words.endswith("applies from 2026-01-01 until 2026-02-01")


def test_a_calibration_counts_from_its_own_date():
    """Not from the mount's."""
    found = change('offset = "1 in"', 'offset = "2 in"')
    assert found.words == "level: calibration 1.offset 1 in -> 2 in: applies from 2026-08-01 on"
    added = change('offset = "1 in"', 'offset = "1 in"\n[[sensor.level.calibration]]\nfrom = "2026-09-01"\ngain = 1.1')
    assert added.words.endswith("added: applies from 2026-09-01 on")


def test_routes_channels_notices_and_the_site_are_told_apart():
    """Routes by their time; the others from now on."""
    assert change('unit = "in"', 'unit = "cm"').applies == "stated"
    assert change('kind = "log"', 'kind = "mqtt"').words == "channel phone: kind log -> mqtt: applies from now on"
    assert change("10 min", "20 min").words == "notice low: raise_after 10 min -> 20 min: applies from now on"
    assert change('name = "A"', 'name = "B"').words == "site: name A -> B: applies from now on"


def test_what_came_and_went_is_said_with_its_consequence():
    """A sensor taken out of the file takes the meaning of its readings along: better give it an end."""
    without = OLD[: OLD.index("[sensor.level]")] + OLD[OLD.index("[route.shed]") :]
    (gone,) = compare(OLD, without)
    assert gone.words.startswith("sensor level removed: what it measured cannot be computed again")
    assert "until = …" in gone.words
    (came,) = compare(without, OLD)
    assert came.words == "sensor level added: applies from 2026-07-01 on"
    tanks = compare("[tank.a]\nx = 1\n", "[tank.b]\nx = 1\n")
    assert [each.words for each in tanks] == [
        "tank b added: counts from its first reading on",
        "tank a removed: its past stays as it was computed; it is not computed again",
    ]
    (channel,) = compare("", "[channel.a]\nkind = 'log'\n")
    assert channel.words == "channel a added: applies from now on"


def test_the_past_that_has_to_be_computed_again_is_named():
    """Tanks, sensors and routes; nothing for a changed reserve."""
    new = OLD.replace("42 in", "43 in").replace('offset = "1 in"', 'offset = "2 in"').replace("90 gal", "80 gal")
    assert redoes(compare(OLD, new)) == ("drinking", "level")
    assert redoes(compare(OLD, OLD.replace("90 gal", "80 gal"))) == ()


def test_comments_and_order_change_nothing():
    """Only what means something is a change."""
    parts = OLD.split("[channel.phone]")
    turned = "# moved\n[channel.phone]" + parts[1] + parts[0]
    assert compare(OLD, turned) == ()


values = st.one_of(st.integers(0, 3), st.booleans(), st.sampled_from(["a", "b"]))
tables = st.dictionaries(st.sampled_from(["use", "shape", "outlet", "from", "calibration"]), values, max_size=4)
configs = st.dictionaries(
    st.sampled_from(["tank", "sensor", "site", "notice"]),
    st.dictionaries(st.sampled_from(["a", "b"]), tables, max_size=2),
    max_size=3,
)


def toml(config):
    lines = []
    for section, entries in config.items():
        for name, table in entries.items():
            lines.append(f"[{section}.{name}]")
            lines += [
                f"{key} = {str(value).lower() if isinstance(value, bool) else repr(value)}"
                for key, value in table.items()
            ]
    return "\n".join(lines)


@pytest.mark.slow
@settings(max_examples=60)
@given(configs, configs)
def test_two_configs_differ_exactly_when_a_change_is_said(one, other):
    """No difference goes unsaid, no sameness is called a change."""
    import tomllib

    texts = toml(one), toml(other)
    changes = compare(*texts)
    assert bool(changes) == (tomllib.loads(texts[0]) != tomllib.loads(texts[1]))
    assert all(each.words and each.key for each in changes)
