"""How thick the ice on open water grows, by the cold that it had.

Stefan (1891): thickness = alpha sqrt(freezing degree-days); the theory's alpha holds for an ice surface as cold as
the air, practice is smaller (US Army Corps of Engineers, EM 1110-2-1612, table of coefficients, from memory). Ashton
(Thin ice growth, Water Resources Research 25, 1989) adds the film of air, which matters most while the ice is thin.
"""

from __future__ import annotations

from collections.abc import Iterable
from math import sqrt

ICE_W_MK = 2.24
ICE_KG_M3 = 917.0
FUSION_J_KG = 333_550.0
DAY_S = 86_400.0
THEORY_M = sqrt(2 * ICE_W_MK * DAY_S / (ICE_KG_M3 * FUSION_J_KG))  # m per root of a degC day
M_PER_IN_ROOT_F = 0.0254 * sqrt(9 / 5)  # from in per root of a degF day
COEFFICIENTS_M = {
    "theory": THEORY_M,
    "windy, no snow": 0.8 * M_PER_IN_ROOT_F,
    "lake with snow, high": 0.7 * M_PER_IN_ROOT_F,
    "lake with snow, low": 0.5 * M_PER_IN_ROOT_F,
    "lake with snow, one station": 0.598 * M_PER_IN_ROOT_F,
    "river with snow, low": 0.4 * M_PER_IN_ROOT_F,
    "sheltered, low": 0.2 * M_PER_IN_ROOT_F,
}
FILMS_W_M2K = (10.0, 25.0)  # calm to windy


def degree_days(airs_c: Iterable[float], step_h: float = 1.0) -> float:
    """Freezing degree-days of a series of airs, degC days: thaw takes off what frost brought, never below zero.

    Args:
        airs_c: mean air of each step, degC.
        step_h: length of a step, hours.
    """
    total = 0.0
    for air_c in airs_c:
        total = max(0.0, total - air_c * step_h / 24)
    return total


def stefan_m(cold_c_days: float, alpha_m: float = THEORY_M) -> float:
    """Thickness by Stefan, m.

    Args:
        cold_c_days: freezing degree-days, degC days; below zero counts as none.
        alpha_m: coefficient, m per root of a degC day, one of `COEFFICIENTS_M`.
    """
    return alpha_m * sqrt(max(0.0, cold_c_days))


def ashton_m(cold_c_days: float, film_w_m2k: float = 15.0, start_m: float = 0.0) -> float:
    """Thickness with the film of air, m: h = sqrt((h0 + k/Ha)^2 + 2 k S / (rho L)) - k/Ha.

    Args:
        cold_c_days: freezing degree-days from now on, degC days; below zero counts as none.
        film_w_m2k: of the air over the ice, 10 (calm) to 25 (windy).
        start_m: thickness now.
    """
    air_m = ICE_W_MK / film_w_m2k
    return sqrt((start_m + air_m) ** 2 + THEORY_M**2 * max(0.0, cold_c_days)) - air_m


def range_m(cold_c_days: float, start_m: float = 0.0) -> tuple[float, float]:
    """Thickness in calm and in windy air, m: the range to tell."""
    calm, windy = FILMS_W_M2K
    return ashton_m(cold_c_days, calm, start_m), ashton_m(cold_c_days, windy, start_m)
