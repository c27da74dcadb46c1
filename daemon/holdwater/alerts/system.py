"""How every kind that is told a ready verdict is judged: facts about the service itself, or figures worked out elsewhere."""

from __future__ import annotations

from holdwater.alerts.facts import SystemFact
from holdwater.alerts.kind import Rule, View
from holdwater.alerts.matter import Judgement
from holdwater.alerts.states import Verdict


def judge(fact: SystemFact, view: View, rule: Rule) -> Judgement | None:  # noqa: ARG001  every kind is asked the same way
    """The verdict as it came, with its figures and words."""
    words = ((("words", fact.words),) if fact.words else ()) + tuple(fact.named.items())
    numbers, upper = tuple(fact.numbers.items()), Verdict(fact.upper)
    return Judgement(fact.subject, Verdict(fact.verdict), numbers, words, upper=upper, edition=fact.edition)
