"""`holdwater tank`: the dip chart and the section of a tank of a config, or of a shape given on the spot."""

from __future__ import annotations

import json
import math
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, cast

import click

from holdwater.cli.options import DEFAULT, ENVIRONMENT
from holdwater.errors import ConfigError, OutsideError, Problem, UsageError
from holdwater.units import M_PER_IN, Dimension, Measure, UnitError, parse

if TYPE_CHECKING:
    from holdwater.tanks.tank import Stand, Tank

MOST_ROWS = 20_000  # a dip chart of more rows is a slip in --every

HELP = """Dip chart of a tank: depth, volume, on hand and ± for every inch or centimetre.

NAME is a tank of the config file. Without a config, give --shape: a file in TOML or JSON, or JSON (or one
line of TOML) in quotes. It holds the same keys as a [tank.NAME] table, or a shape table alone:

\b
  holdwater tank --shape '{"kind": "upright cylinder", "diameter": "42 in", "height": "66 in"}'
  holdwater tank --shape '{"shape": {"kind": "box", "length": "48 in", "width": "90 cm", "height": "1 m"},
                           "outlet": "2 in", "overflow": "36 in"}' --units metric --json

\b
Shapes (every measure is text with its unit; units may be mixed):
  box                  length width height [bottom_radius] [corner_radius]
  upright cylinder     diameter, height (overall) or side (straight part) [bottom] [top]
  horizontal cylinder  diameter, length (straight part) or overall_length [heads | left right]
  sphere               diameter
  capsule              diameter length (overall) [stands]
  horizontal oval      section ("elliptic" or "stadium") width height length
  upright oval         section ("elliptic" or "stadium") length width height
  frustum              bottom_diameter top_diameter height
  tapered box          bottom_length bottom_width top_length top_width height
  trough               bottom_width top_width height length
  stack                layers: a list of shapes from the lowest up
  dip chart            points: [[height, volume], ...] [u_volume]
  filled               fillings: [{added, depth}, ...] [u_added] [u_depth]
bottom, top, heads, left, right: flat, hemispherical, 2:1 ellipsoidal, ASME F&D, torispherical {f, k}, or a
  table: {kind: conical | ellipsoidal | spherical | guppy, depth: ..., dented: true if it bulges inwards}.
circumference may stand for diameter. Any shape by measures takes:
  wall       thickness, when the measures are outside ones
  displaced  [{volume | area | diameter | length, width; count, from, to}, ...] things inside
  tilt       {along, across, depth_at, depth_across, measured}: along is "2 %", "1.1 deg" or "1 in per 8 ft";
             depth_at is "low end", "middle", "high end" or a distance from the low end ("10 in");
             measured is "plumb" or "square" (to the tank). Without depth_at, depth is plumb above the
             lowest inside point.
Joined vessels: vessel: [{name, shape, floor}, ...], link: [{between: [a, b], height, shut}, ...].

\b
Fields of --json. Plain names are in the units of "depth_unit" and "volume_unit"; names in _m, _m2, _m3 are SI:
  tank, shape, units, depth_unit, volume_unit, geometry
  height, outlet, overflow, capacity, full_on_hand, reserve      each also as _m or _m3
  rows: depth, volume (all water), on_hand (above the outlet), room (up to the overflow), per_depth (dV/dh),
    u (standard uncertainty of on_hand), each also as _m, _m3 or _m2; u_noise_m3 and u_scale_m3 (the latter
    cancels in differences), parts_m3 (of u, by name),
    flag ("", "below floor", "above overflow"); with --level also cut_off, unknown and apart

Exit codes: 0 done, 2 wrong shape, config or option, 3 a file cannot be read or written.
"""


@click.command("tank", help=HELP)
@click.argument("name", required=False)
@click.option("--config", type=click.Path(path_type=Path), envvar=ENVIRONMENT, default=DEFAULT, show_default=True,
              help=f"The site's config file (or set {ENVIRONMENT}).")  # fmt: skip
@click.option("--shape", "given", help="A shape or tank: FILE.toml, FILE.json, or the JSON or TOML text itself.")
@click.option(
    "--units",
    type=click.Choice(["US", "metric"], case_sensitive=False),
    help="Units of the answer; default: the config's, else US.",
)
@click.option("--every", help='Step of the chart, such as "1 in" or "2 cm"; default 1 in or 1 cm.')
@click.option("--depth", "depths", multiple=True, help='Only this depth, such as "17.3 in"; may be repeated.')
@click.option(
    "--volume", "volumes", multiple=True, help='Only the depth at which it holds that much in all ("50 gal").'
)
@click.option("--on-hand", "on_hands", multiple=True, help='Only the depth at which that much is on hand ("50 gal").')
@click.option(
    "--u-depth",
    default="0 in",
    show_default=True,
    help='Standard uncertainty of a depth, new with each reading ("0.25 in").',
)
@click.option(
    "--u-depth-scale", default="0 in", show_default=True, help="Standard uncertainty that all depth readings share."
)
@click.option(
    "--level",
    "levels",
    multiple=True,
    metavar="VESSEL=DEPTH",
    help="Joined vessels: depth read in one, over its own floor; repeat for others.",
)
@click.option(
    "--shut", "shut", multiple=True, metavar="A,B", help="Joined vessels: the link between these two is shut."
)
@click.option("--json", "as_json", is_flag=True, help="Print JSON, with full precision.")
@click.option(
    "--svg",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Draw the section into this file, filled to --depth or to the overflow.",
)
def command(**options: Any) -> None:
    """Print the chart; see HELP."""
    tank, units = _tank(options["name"], options["given"], options["config"])
    measure = Measure("metric" if (options["units"] or units).lower() == "metric" else "US")
    stands = _stands(tank, measure, options)
    if options["svg"] is not None:
        _draw(tank, stands[-1], measure, options["svg"])
    if options["as_json"]:
        click.echo(json.dumps(_document(tank, stands, measure), indent=1, allow_nan=False))
    else:
        _print(tank, stands, measure)


def _tank(name: str | None, given: str | None, config: Path) -> tuple[Tank, str]:
    """The tank asked for and the units of its file."""
    if given is None:
        if name is None:
            raise UsageError(
                "neither a tank's NAME nor --shape", expected="one of them", do="holdwater tank --help shows examples"
            )
        where, data = str(config), _read(str(config))
    else:
        where, data = _given(given)
    units = data["site"].get("units", "US") if isinstance(data.get("site"), dict) else "US"
    tanks = data.get("tank")
    if given is None or isinstance(tanks, dict):
        tanks = tanks if isinstance(tanks, dict) else {}
        name = next(iter(tanks)) if name is None and len(tanks) == 1 else name
        if name is None or name not in tanks:
            known = ", ".join(tanks) or "none"
            raise UsageError(
                f"tank '{name}'" if name else "no tank named",
                expected=f"a tank of this file: {known}",
                where=where,
                do="correct the name",
            )
        return _build(name, tanks[name], ("tank", name), where), str(units)
    if "shape" not in data and "vessel" not in data:
        data = {"shape": data}
    return _build(name or "tank", data, (), where), str(units)


def _build(name: str, data: Any, at: tuple[str, ...], where: str) -> Tank:
    from pydantic import ValidationError  # noqa: PLC0415 -- heavy, and `--help` needs none of it

    from holdwater.config.explain import problems_of  # noqa: PLC0415
    from holdwater.config.tank import TankConfig  # noqa: PLC0415

    if not isinstance(data, dict):
        raise ConfigError(
            where, [Problem(".".join(at) or "shape", repr(data), "a table of keys", 'write kind = "box", …')]
        )
    try:
        return TankConfig.model_validate(data).build(name)
    except ValidationError as error:
        raise ConfigError(where, problems_of(error, [TankConfig], at, data)) from None


def _given(given: str) -> tuple[str, dict[str, Any]]:
    """The table of --shape, and where it came from in words."""
    text = given.strip()
    if text.startswith("{") or (text.startswith("[") and "=" not in text and not _is_there(text)):
        return "--shape", _json(text, "--shape")
    if "=" in text and not _is_there(text):
        return "--shape", _toml(text, "--shape")
    return text, _read(text)


def _is_there(text: str) -> bool:
    """Whether a text is the path of something; a whole config is too long for one."""
    try:
        return Path(text).exists()
    except (OSError, ValueError):
        return False


def _read(path: str) -> dict[str, Any]:
    from holdwater.config.load import read_text  # noqa: PLC0415 -- heavy

    text = read_text(Path(path))
    return _json(text, path) if path.lower().endswith(".json") or text.lstrip().startswith("{") else _toml(text, path)


def _json(text: str, where: str) -> dict[str, Any]:
    try:
        data = json.loads(text)
    except json.JSONDecodeError as error:
        problem = Problem(
            f"line {error.lineno}, place {error.colno}",
            error.msg,
            'JSON such as {"kind": "box", …}',
            "correct the text there",
        )
        raise ConfigError(where, [problem]) from None
    except RecursionError:
        raise ConfigError(
            where, [Problem("text", "brackets nested too deep", "a few levels", "check the brackets")]
        ) from None
    if not isinstance(data, dict):
        raise ConfigError(where, [Problem("text", type(data).__name__, "a table in { }", 'write {"kind": "box", …}')])
    return data


def _toml(text: str, where: str) -> dict[str, Any]:
    from holdwater.config.syntax import parse_toml  # noqa: PLC0415 -- heavy

    data, problems = parse_toml(text)
    if problems:
        raise ConfigError(where, problems)
    return data


def _quantity(text: str, dimension: Dimension, option: str) -> float:
    try:
        return parse(text, dimension)
    except UnitError as error:
        raise UsageError(error.found, expected=error.expected, where=option, do=error.fix) from None


def _stands(tank: Tank, measure: Measure, options: dict[str, Any]) -> list[Stand]:
    """The rows asked for."""
    noise = abs(_quantity(options["u_depth"], "length", "--u-depth"))
    scale = abs(_quantity(options["u_depth_scale"], "length", "--u-depth-scale"))
    if options["levels"]:
        return [_joined(tank, options["levels"], options["shut"], noise, scale)]
    if options["shut"]:
        raise UsageError(
            "--shut without --level", expected="the level of each vessel with a sensor", do='add --level "NAME=30 in"'
        )
    depths = [_quantity(text, "length", "--depth") for text in options["depths"]]
    depths += [_depth_at(tank, _quantity(text, "volume", "--volume"), on_hand=False) for text in options["volumes"]]
    depths += [_depth_at(tank, _quantity(text, "volume", "--on-hand"), on_hand=True) for text in options["on_hands"]]
    if not depths:
        default = M_PER_IN if measure.system == "US" else 0.01
        every = default if options["every"] is None else _quantity(options["every"], "length", "--every")
        depths = list(_steps(tank, every))
    return [tank.stand(depth, noise, scale) for depth in depths]


def _steps(tank: Tank, every_m: float) -> Iterator[float]:
    """Depths from the floor to the overflow, which is always the last."""
    if not every_m > 0.0 or tank.overflow_m / every_m > MOST_ROWS:
        raise UsageError(
            f"a step of {every_m:g} m",
            where="--every",
            expected=f"above zero, and at most {MOST_ROWS} rows up to the overflow",
            do='write --every "1 in"',
        )
    count = math.ceil(tank.overflow_m / every_m - 1e-9)
    yield from (step * every_m for step in range(count))
    yield tank.overflow_m


def _depth_at(tank: Tank, volume_m3: float, *, on_hand: bool) -> float:
    """The depth for a volume; outside of the tank a depth beyond floor or overflow, so that its row carries the flag."""
    most = tank.full_on_hand_m3 if on_hand else tank.capacity_m3
    if volume_m3 < 0.0:
        return -1e-9
    if volume_m3 > most * (1 + 1e-12):
        return tank.overflow_m * (1 + 1e-9)
    return tank.depth_on_hand_m(volume_m3) if on_hand else tank.depth_m(volume_m3)


def _joined(tank: Tank, levels: Sequence[str], shut: Sequence[str], noise: float, scale: float) -> Stand:
    from holdwater.tanks.vessels import Level  # noqa: PLC0415 -- heavy

    names = [vessel.name for vessel in tank.vessels]
    known = {}
    for each in levels:
        vessel, _, depth = each.partition("=")
        if vessel.strip() not in names or not depth:
            raise UsageError(
                f"'{each}'",
                where="--level",
                expected=f"VESSEL=DEPTH with one of: {', '.join(n for n in names if n) or 'a tank without joined vessels has none'}",
                do='write --level "NAME=30 in"',
            )
        known[vessel.strip()] = Level(_quantity(depth, "length", "--level"), noise, scale)
    closed = []
    for each in shut:
        pair = sorted(part.strip() for part in each.split(","))
        found = [at for at, link in enumerate(tank.links) if sorted(link.between) == pair]
        if not found:
            pairs = "; ".join(",".join(link.between) for link in tank.links) or "this tank has none"
            raise UsageError(
                f"'{each}'", where="--shut", expected=f"the two vessels of a link: {pairs}", do="correct the names"
            )
        closed += found
    return tank.stand_of(known, closed)


def _document(tank: Tank, stands: Sequence[Stand], measure: Measure) -> dict[str, Any]:
    document: dict[str, Any] = {
        "tank": tank.name,
        "shape": tank.describe(measure),
        "units": measure.system,
        "depth_unit": measure.length_unit,
        "volume_unit": measure.volume_unit,
        "geometry": tank.geometry,
    }
    for key, length in (("height", tank.height_m), ("outlet", tank.outlet_m), ("overflow", tank.overflow_m)):
        document |= {key: measure.length(length), f"{key}_m": length}
    for key, volume in (
        ("capacity", tank.capacity_m3),
        ("full_on_hand", tank.full_on_hand_m3),
        ("reserve", tank.reserve_m3),
    ):
        document |= {key: None if volume is None else measure.volume(volume), f"{key}_m3": volume}
    document["rows"] = [_row(stand, measure) for stand in stands]
    return document


def _row(stand: Stand, measure: Measure) -> dict[str, Any]:
    row: dict[str, Any] = {"depth": _number(measure.length(stand.depth_m)), "depth_m": _number(stand.depth_m)}
    volumes = (("volume", stand.total_m3), ("on_hand", stand.on_hand_m3), ("room", stand.room_m3), ("u", stand.u_m3))
    for key, volume in volumes:
        row |= {key: _number(measure.volume(volume)), f"{key}_m3": _number(volume)}
    row["per_depth"] = _number(measure.volume(stand.area_m2 * (M_PER_IN if measure.system == "US" else 0.01)))
    row["area_m2"] = _number(stand.area_m2)
    row |= {"u_noise_m3": _number(stand.u_noise_m3), "u_scale_m3": _number(stand.u_scale_m3)}
    row["parts_m3"] = dict(stand.parts)
    row["flag"] = stand.flag
    row |= {"cut_off": measure.volume(stand.cut_off_m3), "cut_off_m3": stand.cut_off_m3, "unknown": list(stand.unknown)}
    row["apart"] = [
        {"between": list(each.between), "difference_m": each.difference_m, "u_m": each.u_m} for each in stand.apart
    ]
    return row


def _number(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _print(tank: Tank, stands: Sequence[Stand], measure: Measure) -> None:
    length, volume = measure.length_unit, measure.volume_unit
    click.echo(f"{tank.name}: {tank.describe(measure)}")
    outlet, overflow = measure.length_text(tank.outlet_m), measure.length_text(tank.overflow_m)
    click.echo(f"outlet {outlet}, overflow {overflow}, holds {measure.volume(tank.capacity_m3):.1f} {volume}")
    click.echo()
    click.echo(f"{'depth, ' + length:>10}  {'all, ' + volume:>12}  {'on hand, ' + volume:>14}  {'±':>8}")
    for stand in stands:
        click.echo(
            f"{_cell(measure.length(stand.depth_m), 2):>10}  {_cell(measure.volume(stand.total_m3), 1):>12}  "
            f"{_cell(measure.volume(stand.on_hand_m3), 1):>14}  {_cell(measure.volume(stand.u_m3), 1):>8}"
            + (f"  {stand.flag}" if stand.flag else "")
        )
    click.echo()
    _remarks(tank, stands[-1], measure)


def _cell(value: float, places: int) -> str:
    return f"{value:.{places}f}" if math.isfinite(value) else "unknown"


def _remarks(tank: Tank, last: Stand, measure: Measure) -> None:
    """What the figures stand for, and what is cut off, unknown or apart."""
    click.echo(
        f"± is one standard uncertainty: geometry {tank.geometry * 100:g} % and what --u-depth says of the depth."
    )
    if last.cut_off_m3:
        click.echo(f"Behind shut links: {measure.volume(last.cut_off_m3):.1f} {measure.volume_unit}, not on hand.")
    if last.unknown:
        click.echo(f"Unknown, behind a shut link without a level: {', '.join(last.unknown)}.")
    for each in last.apart:
        click.echo(
            f"Apart: {each.between[0]} stands {measure.length_text(abs(each.difference_m))} "
            f"{'above' if each.difference_m > 0 else 'below'} {each.between[1]} though their link is open. Look at link and sensors."
        )


def _draw(tank: Tank, stand: Stand, measure: Measure, path: Path) -> None:
    from holdwater.web.charts.section import section_svg  # noqa: PLC0415 -- heavy

    try:
        path.write_text(section_svg(tank, stand, measure, ""), encoding="utf-8")
    except OSError as error:
        raise OutsideError(
            f"cannot be written: {os.strerror(cast(int, error.errno))}",
            where=str(path),
            do="check folder and permission",
        ) from None
    click.echo(f"drawn: {path}", err=True)
