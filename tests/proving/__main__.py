"""`python -m proving [--seeds N] [--days N] [--first N] [--sites a,b] [--quiet]` in `tests`: score many seasons and print one table."""

from __future__ import annotations

import argparse
from concurrent.futures import ProcessPoolExecutor

from proving.invented import PLANS, invented
from proving.quern import quern
from proving.score import Score, score
from proving.table import text

SITES = ("quern", *(plan.name for plan in PLANS))
Job = tuple[str, int, int, int, bool]


def season(job: Job) -> Score:
    """Score one season."""
    name, seed, days, first, wrong = job
    if name == "quern":
        return score(quern(seed, days, first=first, wrong=wrong))
    plan = next(plan for plan in PLANS if plan.name == name)
    return score(invented(plan, seed, days, wrong=wrong))


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", default="101-104")
    parser.add_argument("--days", type=int, default=120)
    parser.add_argument("--first", type=int, default=0, help="day of the household's season to begin with")
    parser.add_argument("--sites", default=",".join(SITES))
    parser.add_argument("--quiet", action="store_true", help="plant nothing")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--show", action="store_true", help="list what was told without a cause")
    given = parser.parse_args()
    low, _, high = given.seeds.partition("-")
    seeds = range(int(low), int(high or low) + 1)
    jobs = [(site, seed, given.days, given.first, not given.quiet) for site in given.sites.split(",") for seed in seeds]
    with ProcessPoolExecutor(given.workers) as pool:
        scores = list(pool.map(season, jobs))
    print(text(scores))
    for each in scores if given.show else ():
        for told in each.false:
            print(each.world, each.seed, told.minute, told.kind, told.subject, told.short)
        print(each.world, each.seed, "valve", each.valve_lost, each.valve_slow, "low", each.low_late, each.low_early,
              "stuck", each.stuck, "silent", each.silent, "freeze", each.freeze)  # fmt: skip


if __name__ == "__main__":
    main()
