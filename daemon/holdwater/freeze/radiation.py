"""How far a bare surface falls below the air under a clear night sky.

Balance of a thin surface: what the air's film brings, h (Ta - Ts), equals what is radiated to the part of the sky it
sees, view e s (Ts^4 - Tsky^4) (Incropera and DeWitt, Fundamentals of Heat and Mass Transfer). The clear sky is as
cold as Swinbank's 0.0552 T^1.5 (Quart. J. R. Met. Soc. 89, 1963), or by the dew point as in Berdahl and Fromberg
(Solar Energy 29, 1982, from memory); clouds and roofs take their share of it. A surface that radiates one way only
may have a frame that lags: this is the most it can fall.
"""

from __future__ import annotations

import math

STEFAN_W_M2K4 = 5.670374e-8  # CODATA 2018
ZERO_K = 273.15
EMISSIVITY = 0.95  # paint, plastic, wet metal; bare bright metal less
CALM_W_M2K = 10.0
VIEWS = {"open": 1.0, "part": 0.5, "roof": 0.0}  # share of the sky seen: in the open, at a wall, under a roof


def sky_c(air_c: float, dew_c: float | None = None) -> float:
    """Radiation temperature of a clear night sky, degC.

    Args:
        air_c: air near the ground, -50 to 50 degC.
        dew_c: dew point; without it the sky of Swinbank's middling humidity.
    """
    air_k = air_c + ZERO_K
    if dew_c is None:
        return 0.0552 * math.pow(air_k, 1.5) - ZERO_K
    emissivity = min(1.0, max(0.5, 0.741 + 0.0062 * dew_c))
    return air_k * math.pow(emissivity, 0.25) - ZERO_K


def net_w_m2(surface_c: float, sky: float, emissivity: float = EMISSIVITY) -> float:
    """Heat that a surface which sees nothing but sky loses by radiation, W/m2."""
    return emissivity * STEFAN_W_M2K4 * ((surface_c + ZERO_K) ** 4 - (sky + ZERO_K) ** 4)


def below_air_c(
    air_c: float, *, view: float, film_w_m2k: float = CALM_W_M2K, clear: float = 1.0, dew_c: float | None = None
) -> float:
    """How far a surface settles below the air, degC, at least 0.

    Args:
        air_c: air, -50 to 50 degC.
        view: share of the sky that it sees, 0 to 1.
        film_w_m2k: of the air, 5 (still) to 25 (windy).
        clear: share of the sky that is clear, 0 to 1.
        dew_c: dew point, if known. Dew and rime warm the surface as they form, so that it stops falling not far
            below it.
    """
    sky = sky_c(air_c, dew_c)
    warm_c, cold_c = air_c, min(air_c, sky)
    for _ in range(50):
        surface_c = (warm_c + cold_c) / 2
        gains = film_w_m2k * (air_c - surface_c)
        loses = view * clear * net_w_m2(surface_c, sky)
        warm_c, cold_c = (surface_c, cold_c) if loses > gains else (warm_c, surface_c)
    return max(0.0, air_c - (warm_c + cold_c) / 2)
