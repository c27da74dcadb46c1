"""The lowest air of the coming night, from the site's own sensors: learned on line, with 10, 50 and 90 %.

The answer sought is how far the air will still fall. It is regressed on the air now, its fall over one and three
hours and since the day's highest, the hours left until sunrise, the smoothed last errors and, where humidity is
known, the dew-point depression and the fall of the dew point: the inputs of the two-step regression of Snyder and de
Melo-Abreu (Frost Protection, FAO, 2005, volume 1, chapter 5) and what else a thermometer knows of the evening.
Nights without humidity have their own regression, learned beside.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from math import isfinite

from holdwater.freeze.evening import Evening
from holdwater.freeze.regression import Ridge, ridge, ridge_from
from holdwater.freeze.spread import Distribution, Errors, errors_from

VERSION = 1
KEEP = 0.995  # a night counts half after 138 nights: last season still speaks, the one before hardly
TRUST = 1.5  # the prior is worth one and a half nights of a typical input; from trials on nine hourly years
# Errors beyond so many times the usual size count less (Huber, Robust Estimation, 1964), as the score is the mean size.
OUTLIER = 1.5
BIAS_GAIN = 0.2  # share of a new error in the smoothed last errors
SIZE_KEEP = 0.995
SIZE_TRUST = 20.0
SMALLEST_C = 0.35  # a thermometer in a garden is no better

# Coefficients before there are own nights: rounded mean of fits to seven hourly years of other places (New York
# airports, Aberdeen, Gatwick, Seville, Sydney). Order as in `Evening.moist_inputs`; degC for an input of one.
PRIOR_DRY = (-2.2, -0.95, 0.15, 0.8, 0.0, -0.15, -1.0, 0.45)
PRIOR_MOIST = (-1.05, -0.85, 0.15, 0.5, -0.5, -0.45, -1.1, 0.25, -1.0, 0.05, -0.75)
PRIOR_SIZE = (1.3, 0.1, 0.4)


@dataclass(frozen=True, slots=True)
class NightForecast:
    """The lowest hourly air temperature from issue to two hours after sunrise.

    Attributes:
        issued_ms: when the forecast was made.
        end_ms: until when it holds.
        air_c: the air at issue.
        humid: whether the dew point was used.
        spread: what may come, degC.
        highest_c: highest air of the hours before, degC; None when not known.
        dew_c: dew point at issue, degC; None without humidity.
        nights: how many own nights taught it.
        daylight: whether it was made before sunset.
    """

    issued_ms: int
    end_ms: int
    air_c: float
    humid: bool
    spread: Distribution
    highest_c: float | None = None
    dew_c: float | None = None
    nights: int = 0
    daylight: bool = False

    @property
    def p10_c(self) -> float:
        """One night in ten is colder, degC."""
        return self.spread.quantile(0.1)

    @property
    def p50_c(self) -> float:
        """Half of the nights are colder, degC."""
        return self.spread.quantile(0.5)

    @property
    def p90_c(self) -> float:
        """Nine nights in ten are colder, degC."""
        return self.spread.quantile(0.9)

    def chance_below(self, limit_c: float) -> float:
        """The chance, 0 to 1, that the air falls below a limit in degC."""
        return self.spread.chance_below(limit_c)


@dataclass(frozen=True, slots=True)
class NightModel:
    """What was learned of the nights of this site, for one time of issue.

    Attributes:
        dry: regression without humidity, learned in every night.
        moist: regression with humidity.
        size: regression of the size of the error.
        errors: own past errors, scaled.
        bias_c: smoothed last errors (what came less what was forecast).
        usual_c: smoothed size of the errors.
        nights: how many nights were learned.
        reached_ms: end of the last night learned; 0 before the first. A night that ends no later is not learned again.
    """

    dry: Ridge
    moist: Ridge
    size: Ridge
    errors: Errors
    bias_c: float = 0.0
    usual_c: float = 2.0
    nights: int = 0
    reached_ms: int = 0

    def to_bytes(self) -> bytes:
        """The model as JSON text, for the store."""
        return json.dumps({"version": VERSION, **asdict(self)}, allow_nan=False, separators=(",", ":")).encode()


def fresh() -> NightModel:
    """A model that knows its prior only."""
    return NightModel(ridge(PRIOR_DRY, TRUST), ridge(PRIOR_MOIST, TRUST), ridge(PRIOR_SIZE, SIZE_TRUST), Errors())


def from_bytes(text: bytes) -> NightModel | None:
    """The model that `to_bytes` wrote; None when the text is of another version or no model, so that the caller
    learns anew."""
    try:
        saved = json.loads(text)
        if saved.pop("version") != VERSION:
            return None
        dry, moist, size = (ridge_from(saved.pop(name)) for name in ("dry", "moist", "size"))
        model = NightModel(dry, moist, size, errors_from(saved.pop("errors")), **saved)
        return model if _sound(model) else None
    except (ValueError, KeyError, TypeError, AttributeError):
        return None


def _sound(model: NightModel) -> bool:
    """Whether the sizes fit this version and all numbers are finite."""
    sizes = all(
        len(each.coefficients) == len(each.information) == len(prior)
        for each, prior in ((model.dry, PRIOR_DRY), (model.moist, PRIOR_MOIST), (model.size, PRIOR_SIZE))
    )
    numbers = (
        *model.dry.coefficients,
        *model.moist.coefficients,
        *model.size.coefficients,
        *model.errors.scaled,
        model.errors.widening,
        model.bias_c,
    )
    return sizes and all(isfinite(number) for number in numbers)


def forecast(model: NightModel, evening: Evening) -> NightForecast:
    """The lowest air of the night, as seen from an evening.

    Args:
        model: what was learned before that evening.
        evening: what is known at issue.
    """
    centre_c = _centre(model, evening)
    spread = model.errors.distribution(centre_c, _size(model, evening, centre_c), ceiling=evening.air_c)
    depression_c = evening.dew_depression_c
    return NightForecast(
        evening.issued_ms,
        evening.end_ms,
        evening.air_c,
        depression_c is not None,
        spread,
        evening.air_c + evening.below_highest_c,
        None if depression_c is None else evening.air_c - depression_c,
        model.nights,
        evening.daylight,
    )


def learn(model: NightModel, evening: Evening, came_c: float) -> NightModel:
    """The model after a night.

    Args:
        model: what was learned before that evening.
        evening: what was known at issue.
        came_c: the lowest hourly air temperature from issue to two hours after sunrise, degC.

    Returns:
        The model as it was when that night, or a later one, was learned before.
    """
    if evening.end_ms <= model.reached_ms:
        return model
    told = forecast(model, evening)
    centre_c = _centre(model, evening)
    error_c = came_c - centre_c
    size_c = _size(model, evening, centre_c)
    moist = evening.moist_inputs(model.bias_c)
    return NightModel(
        dry=_fit(model.dry, evening.inputs(model.bias_c), came_c - evening.air_c, model.usual_c),
        moist=model.moist if moist is None else _fit(model.moist, moist, came_c - evening.air_c, model.usual_c),
        size=model.size.learn(
            _size_inputs(evening, centre_c), abs(error_c), weight=1 / max(size_c, 0.5) ** 2, keep=SIZE_KEEP
        ),
        errors=model.errors.learn(error_c / size_c, inside=told.p10_c <= came_c <= told.p90_c),
        bias_c=(1 - BIAS_GAIN) * model.bias_c + BIAS_GAIN * error_c,
        usual_c=0.97 * model.usual_c
        + 0.03 * 1.25 * abs(error_c),  # 1.25: mean size to standard deviation of a normal error
        nights=model.nights + 1,
        reached_ms=evening.end_ms,
    )


def _centre(model: NightModel, evening: Evening) -> float:
    """The regression's answer: never warmer than now."""
    moist = evening.moist_inputs(model.bias_c)
    fall_c = model.dry.predict(evening.inputs(model.bias_c)) if moist is None else model.moist.predict(moist)
    return evening.air_c + min(0.0, fall_c)


def _size_inputs(evening: Evening, centre_c: float) -> tuple[float, ...]:
    return (1.0, (evening.left_h - 11) / 3, (evening.air_c - centre_c) / 4)


def _size(model: NightModel, evening: Evening, centre_c: float) -> float:
    """The size of the error to expect, degC."""
    return max(SMALLEST_C, model.size.predict(_size_inputs(evening, centre_c)))


def _fit(model: Ridge, inputs: tuple[float, ...], answer: float, usual_c: float) -> Ridge:
    """One step of the regression, with less weight for an outlier."""
    error = abs(answer - model.predict(inputs))
    return model.learn(inputs, answer, weight=min(1.0, OUTLIER * usual_c / max(error, 1e-9)), keep=KEEP)
