"""When to act: as soon as the chance times the loss is more than the cost (the cost-loss rule; Murphy, Mon. Wea.
Rev. 105, 1977)."""

from __future__ import annotations

from dataclasses import dataclass

COST = 3.0  # ten minutes of draining, in the household's money (own figure)
LOSS = 58.0  # water and a spigot (own figure)


@dataclass(frozen=True, slots=True)
class Stake:
    """What is at stake at one exposure.

    Attributes:
        cost: of acting once, at least 0.
        loss: when it freezes and nobody acted, at least 0.
    """

    cost: float = COST
    loss: float = LOSS

    @property
    def act_above(self) -> float:
        """The chance above which acting pays, 0 to 1; 1 when it never does."""
        if self.loss <= 0 or self.cost >= self.loss:
            return 1.0
        return self.cost / self.loss

    def acts(self, chance: float) -> bool:
        """Whether to act at a chance of 0 to 1."""
        return chance * self.loss > self.cost

    def expected(self, chance: float) -> float:
        """Cost to expect of doing what pays, in the household's money."""
        return min(self.cost, chance * self.loss)


@dataclass(frozen=True, slots=True)
class Tally:
    """The season of warnings, as the household reads it."""

    hits: int = 0
    false_alarms: int = 0
    misses: int = 0
    quiet: int = 0

    def add(self, *, warned: bool, froze: bool) -> Tally:
        """The tally with one more night."""
        return Tally(
            self.hits + (warned and froze),
            self.false_alarms + (warned and not froze),
            self.misses + (froze and not warned),
            self.quiet + (not warned and not froze),
        )

    def words(self) -> str:
        """The tally in a sentence."""
        warnings = self.hits + self.false_alarms
        missed = f", {self.misses} missed" if self.misses else ""
        if not warnings and not self.misses:
            return "No freeze warnings so far."
        return f"{warnings} freeze warning{'' if warnings == 1 else 's'}, {self.hits} real{missed}."
