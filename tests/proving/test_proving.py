"""The promises about notices and figures, asserted on a few short seasons in every run, on many long ones in the soak.

What the full table gives, with its seeds, and which promises it does not bear out, stands in README.md beside this file.
"""

from __future__ import annotations

from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from statistics import median

import pytest

from proving.__main__ import SITES, Job, season
from proving.score import FREEZE_WITHIN, SILENT_WITHIN, STUCK_WITHIN, Score
from proving.table import text

QUICK: list[Job] = [
    ("quern", 201, 9, 100, True),
    ("quern", 202, 9, 20, True),
    ("frustum", 203, 14, 0, True),
    ("small", 204, 14, 0, True),
    ("cubes", 205, 12, 0, True),
    ("cubes", 206, 12, 0, False),
    ("frustum", 207, 12, 0, False),
]


@pytest.fixture(scope="module")
def quick() -> list[Score]:
    """A few short seasons, scored."""
    return [season(job) for job in QUICK]


def holds(scores: list[Score], share: float = 1.0) -> None:
    """The promises that every run is held to; `share` of the stuck, silent and freezing ones in time."""
    print(text(scores))
    days = sum(each.days for each in scores)
    lost = [x for each in scores for x in each.valve_lost]
    seen = [x for x in lost if x is not None]
    assert len(seen) >= 0.95 * len(lost)
    assert median(seen) <= 40.0
    false = Counter(told.kind for each in scores for told in each.false)
    assert false["valve-open"] * 120 / days <= 1.0, false
    assert sum(false.values()) * 7 / days <= 0.1, false
    late = [x for each in scores for x in each.low_late]
    assert None not in late
    for name, limit in (("stuck", STUCK_WITHIN), ("silent", SILENT_WITHIN), ("freeze", FREEZE_WITHIN)):
        found = [x for each in scores for x in getattr(each, name)]
        assert sum(x is not None and x <= limit for x in found) >= share * len(found), (name, found)


@pytest.mark.slow
def test_short_seasons_bear_out_the_promises(quick: list[Score]) -> None:
    """Open valves found with at most 40 gallons gone at the median, stuck, dead and silent sensors in time, no alarm without a cause."""
    assert sum(len(each.valve_lost) for each in quick) >= 5
    assert all(sum(len(getattr(each, kind)) for each in quick) >= 2 for kind in ("stuck", "silent", "freeze"))
    holds(quick)


@pytest.mark.slow
def test_levels_lie_within_their_doubt(quick: list[Score]) -> None:
    """Within three standard uncertainties of the truth. Each season has one draw of fixed errors, so two are for the full table."""
    pairs = [pair for each in quick for found in each.level.values() for pair in found]
    assert len(pairs) > 1000
    assert sum(abs(error) <= 3 * u for error, u in pairs) >= 0.98 * len(pairs)


@pytest.mark.slow
def test_a_day_of_the_book_adds_up_to_what_went(quick: list[Score]) -> None:
    """Used and unexplained together are what really went, within two standard uncertainties on four days of five."""
    pairs = [pair for each in quick for found in each.gone.values() for pair in found]
    assert sum(abs(error) <= 2 * u for error, u in pairs) >= 0.8 * len(pairs)


@pytest.mark.slow
def test_a_quiet_fortnight_brings_at_most_two_notices(quick: list[Score]) -> None:
    """Nothing was planted: what is told has a cause in the truth, such as a tank that is really low, and is rare."""
    quiet = [score for score, job in zip(quick, QUICK, strict=True) if not job[4]]
    assert sum(each.told for each in quiet) * 7 / sum(each.days for each in quiet) <= 1.0
    assert not [told for each in quiet for told in each.false]


@pytest.mark.soak
def test_twenty_long_seasons_of_the_household_bear_out_the_promises() -> None:
    """Twenty seeds of 120 days with things planted."""
    with ProcessPoolExecutor(2) as pool:
        scores = list(pool.map(season, [("quern", seed, 120, 0, True) for seed in range(301, 321)]))
    holds(scores, 0.95)
    # In time it is late where the tank stands still a cupful under the reserve; in water it is not.
    assert max(x for each in scores for x in each.low_under) <= 2.0
    assert max((x for each in scores for x in each.low_early), default=0.0) <= 1.0


@pytest.mark.soak
@pytest.mark.parametrize("site", [site for site in SITES if site not in ("quern", "buried")])
def test_long_seasons_of_other_sites_bear_out_the_promises(site: str) -> None:
    """Four seeds each."""
    with ProcessPoolExecutor(2) as pool:
        holds(list(pool.map(season, [(site, seed, 120, 0, True) for seed in range(301, 305)])), 0.9)


@pytest.mark.soak
def test_a_season_in_which_nothing_is_wrong_is_a_quiet_one() -> None:
    """At most one notice a week, those with a cause in the truth (frost, a tank full or low) among them."""
    with ProcessPoolExecutor(2) as pool:
        scores = list(pool.map(season, [("quern", seed, 120, 0, False) for seed in range(331, 335)]))
    print(text(scores))
    assert sum(each.told for each in scores) * 7 / sum(each.days for each in scores) <= 1.0
    assert sum(len(each.false) for each in scores) == 0
