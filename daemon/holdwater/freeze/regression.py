"""Regularised recursive least squares with forgetting, in information form, without NumPy.

The state is the information matrix A and vector b of (prior + weighted nights); coefficients solve A w = b. At each
night both are multiplied by `keep` and the prior is topped up by the same share, so that the prior never fades and A
never winds up or turns singular (a ridge that stays; Ljung, System Identification, 2nd ed. 1999, section 11.2, for
the recursion).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any


@dataclass(frozen=True, slots=True)
class Ridge:
    """A linear model that is learned on line.

    Attributes:
        prior: coefficients believed before the first night.
        trust: how many nights the prior is worth.
        information: matrix A, row by row.
        moment: vector b.
        coefficients: w, the solution of A w = b.
    """

    prior: tuple[float, ...]
    trust: float
    information: tuple[tuple[float, ...], ...]
    moment: tuple[float, ...]
    coefficients: tuple[float, ...]

    def predict(self, inputs: Sequence[float]) -> float:
        """The model's answer to a vector of inputs as long as `prior`."""
        return sum(each * value for each, value in zip(self.coefficients, inputs, strict=True))

    def learn(self, inputs: Sequence[float], answer: float, *, weight: float = 1.0, keep: float = 1.0) -> Ridge:
        """The model after one more night.

        Args:
            inputs: as long as `prior`, finite.
            answer: what came.
            weight: of this night, 0 to 1; below 1 for an outlier.
            keep: share of what was known that stays, 0 to 1.
        """
        size = len(self.prior)
        top_up = (1 - keep) * self.trust
        information = [
            [
                keep * self.information[i][j] + weight * inputs[i] * inputs[j] + (top_up if i == j else 0.0)
                for j in range(size)
            ]
            for i in range(size)
        ]
        moment = [keep * self.moment[i] + weight * inputs[i] * answer + top_up * self.prior[i] for i in range(size)]
        return replace(
            self,
            information=tuple(tuple(row) for row in information),
            moment=tuple(moment),
            coefficients=tuple(solve(information, moment)),
        )


def ridge(prior: Sequence[float], trust: float) -> Ridge:
    """A model that knows its prior only.

    Args:
        prior: coefficients.
        trust: how many nights the prior is worth, above 0.
    """
    size = len(prior)
    information = tuple(tuple(trust if i == j else 0.0 for j in range(size)) for i in range(size))
    return Ridge(tuple(prior), trust, information, tuple(trust * each for each in prior), tuple(prior))


def ridge_from(saved: Mapping[str, Any]) -> Ridge:
    """The model that `dataclasses.asdict` and JSON made text of.

    Raises:
        KeyError, TypeError, ValueError: it is no such model.
    """
    return Ridge(
        tuple(map(float, saved["prior"])),
        float(saved["trust"]),
        tuple(tuple(map(float, row)) for row in saved["information"]),
        tuple(map(float, saved["moment"])),
        tuple(map(float, saved["coefficients"])),
    )


def solve(matrix: Sequence[Sequence[float]], right: Sequence[float]) -> list[float]:
    """The solution of a symmetric positive definite system, by Cholesky (Golub and Van Loan, Matrix Computations,
    section 4.2).

    Args:
        matrix: square, symmetric, positive definite.
        right: right-hand side.

    Raises:
        ValueError: the matrix is not positive definite.
    """
    size = len(right)
    lower = [[0.0] * size for _ in range(size)]
    for i in range(size):
        for j in range(i + 1):
            rest = matrix[i][j] - sum(lower[i][k] * lower[j][k] for k in range(j))
            if i != j:
                lower[i][j] = rest / lower[j][j]
            elif rest > 0:
                lower[i][i] = rest**0.5
            else:
                raise ValueError("the matrix is not positive definite")
    halfway = [0.0] * size
    for i in range(size):
        halfway[i] = (right[i] - sum(lower[i][k] * halfway[k] for k in range(i))) / lower[i][i]
    answer = [0.0] * size
    for i in reversed(range(size)):
        answer[i] = (halfway[i] - sum(lower[k][i] * answer[k] for k in range(i + 1, size))) / lower[i][i]
    return answer
