"""`holdwater setup`: the first hour, one question at a time."""

from __future__ import annotations

import getpass
import sys
import textwrap
from pathlib import Path
from typing import TYPE_CHECKING

import click

from holdwater.cli.options import DEFAULT, ENVIRONMENT, config_option, site_of
from holdwater.errors import OutsideError, UsageError

if TYPE_CHECKING:
    from holdwater.config.site import Site
    from holdwater_sensors.instrument import Instrument


WIDTH = 79


class Terminal:
    """The person's terminal; what must not show is not echoed."""

    def say(self, text: str) -> None:
        """Print some lines, none wider than a terminal; drawings, cards and lists as they are."""
        click.echo(_wrapped(text))

    def read(self, prompt: str, *, hidden: bool = False) -> str:
        """One line."""
        prompt = _wrapped(prompt)
        if hidden and sys.stdin.isatty():
            return getpass.getpass(prompt)
        click.echo(prompt, nl=False)
        line = sys.stdin.readline()
        if not line:
            raise EOFError
        if not sys.stdin.isatty():
            click.echo()
        return line


def _wrapped(text: str) -> str:
    kept = (" ", "|", "+")
    lines = [
        [line] if len(line) <= WIDTH or line.startswith(kept) else textwrap.wrap(line, WIDTH)
        for line in text.split("\n")
    ]
    return "\n".join(line for each in lines for line in each)


@click.group("setup", invoke_without_command=True)
@click.option(
    "--config",
    "config",
    type=click.Path(path_type=Path),
    envvar=ENVIRONMENT,
    default=DEFAULT,
    show_default=True,
    help="The config file to write.",
)
@click.option("--store", default="/var/lib/holdwater", show_default=True, help="Folder of the store.")
@click.option("--anew", is_flag=True, help="Forget the answers of an interview that was left.")
@click.option(
    "--passwords", type=click.Path(path_type=Path), default="/etc/mosquitto/holdwater.passwords", show_default=True,
    help="The broker's password file, where sensor boxes are let in.",
)  # fmt: skip
@click.pass_context
def command(ctx: click.Context, *, config: Path, store: str, anew: bool, passwords: Path) -> None:
    """Ask for everything that the config file needs, one question at a time, and write it.

    It may be left at any time (Ctrl-C) and taken up again: the answers stay. `back` goes one question back, `?` explains.
    """
    if ctx.invoked_subcommand is not None:
        return
    from holdwater.setting_up.dialog import Dialog, Left  # noqa: PLC0415
    from holdwater.setting_up.interview import Where, interview  # noqa: PLC0415
    from holdwater.setting_up.journal import Journal, write_private  # noqa: PLC0415

    answers = config.with_name(config.name + ".answers")
    journal = Journal.open(answers)
    if anew:
        journal.forget()
    screen = Terminal()
    _greet(screen, len(journal.entries))
    where = Where(config, store, passwords)
    try:
        text, site = Dialog(screen, journal).run(lambda dialog: interview(dialog, where))
    except Left:
        screen.say(
            f"\nLeft. {len(journal.entries)} answers are kept in {answers}. To go on: holdwater setup --config {config}"
        )
        sys.exit(130)
    if config.exists():
        _keep_old(config)
    write_private(config, text, mode=0o640)
    journal.forget()
    _farewell(screen, config, site)


def _greet(screen: Terminal, answered: int) -> None:
    from holdwater.setting_up.dialog import WORDS  # noqa: PLC0415

    screen.say(WORDS)
    if answered:
        screen.say(
            f"\nGoing on where you left: {answered} answers so far. To begin anew: leave, then holdwater setup --anew"
        )
    else:
        screen.say("\nHave at hand: a tape, the papers of the sensors, a phone. Nothing is written before the end.\n")


def _keep_old(config: Path) -> None:
    """The config that was there, under another name."""
    old = config.with_name(config.name + ".before")
    try:
        old.write_bytes(config.read_bytes())
        old.chmod(config.stat().st_mode & 0o777)
    except OSError as error:
        raise OutsideError(
            f"cannot be kept: {error.strerror}", where=str(old), do="make room, or start with sudo"
        ) from None


def _farewell(screen: Terminal, config: Path, site: Site) -> None:
    from holdwater.cli.check import words  # noqa: PLC0415

    screen.say(f"\nWritten: {config}. This is what it says:\n")
    screen.say("\n".join(words(site, (), compared=False)))
    screen.say(
        "\nNext: sudo systemctl restart holdwater; then holdwater status. Another time: holdwater setup tap TANK, a two-minute test."
    )


@command.command("walk")
@click.argument("box")
@click.option(
    "--packs", type=click.IntRange(1, 1000), default=20, show_default=True, help="How many packs to wait for."
)
@config_option
def walk_(box: str, packs: int, config: Path) -> None:
    """Walk test of a sensor BOX before drilling: how many packs came, how strong."""
    from holdwater.setting_up.hearing import Ear  # noqa: PLC0415
    from holdwater.setting_up.trials import Walk, walk  # noqa: PLC0415

    site = site_of(config)
    tally = Walk()
    with Ear(site) as ear:
        try:
            tally = walk(ear, box, click.echo, packs=packs)
        except KeyboardInterrupt:
            click.echo()
    click.echo(tally.words(box))
    if not tally.came:
        sys.exit(1)


@command.command("tape")
@click.argument("tank")
@click.argument("depth")
@config_option
def tape_(tank: str, depth: str, config: Path) -> None:
    """Hold the tape beside the sensor: TANK is DEPTH deep ("21 in") by tape or stick."""
    from holdwater.setting_up.answers import Sizes  # noqa: PLC0415
    from holdwater.setting_up.dialog import Wrong  # noqa: PLC0415
    from holdwater.setting_up.hearing import Ear  # noqa: PLC0415
    from holdwater.setting_up.trials import hear_level, tape_words  # noqa: PLC0415

    site = site_of(config)
    instrument = _sensor_of(site, tank)
    try:
        tape_m = Sizes(site.measure).length(0.0, 30.0, "a depth")(depth).si
    except Wrong as wrong:
        raise UsageError(wrong.found, expected=wrong.expected, do=wrong.do) from None
    with Ear(site) as ear:
        level = hear_level(ear, instrument, _echo)
    if level is None:
        sys.exit(1)
    click.echo(tape_words(tape_m, level, instrument, site.measure))


@command.command("tap")
@click.argument("tank")
@click.option(
    "--seconds", type=click.IntRange(5, 1800), default=120, show_default=True, help="How long the tap is open."
)
@config_option
def tap_(tank: str, seconds: int, config: Path) -> None:
    """A two-minute test at the tap of a TANK: what the sensor says went out, beside a bucket."""
    from holdwater.setting_up.answers import Sizes  # noqa: PLC0415
    from holdwater.setting_up.dialog import Dialog, Left  # noqa: PLC0415
    from holdwater.setting_up.hearing import Ear  # noqa: PLC0415
    from holdwater.setting_up.journal import Journal  # noqa: PLC0415
    from holdwater.setting_up.trials import tap  # noqa: PLC0415

    site = site_of(config)
    _sensor_of(site, tank)
    with Ear(site) as ear:
        drawn = tap(ear, site, tank, _echo, open_s=float(seconds))
    if drawn.by_sensor_m3 is None:
        click.echo(drawn.words(None, site.measure))
        sys.exit(1)
    question = f"How many {site.measure.volume_unit} are in the bucket? Enter alone: not known."
    read = Sizes(site.measure).volume(0.0, 10.0, none=True)
    try:
        bucket = Dialog(Terminal(), Journal()).run(lambda dialog: dialog.ask("bucket", question, read))
    except Left:
        sys.exit(130)
    click.echo(drawn.words(bucket.si if bucket.text else None, site.measure))


@command.command("box")
@click.argument("box")
@click.option(
    "--passwords", type=click.Path(path_type=Path), default="/etc/mosquitto/holdwater.passwords", show_default=True,
    help="The broker's password file.",
)  # fmt: skip
@config_option
def box_(box: str, passwords: Path, config: Path) -> None:
    """A new password for a sensor BOX, at the broker and on a card to print."""
    from holdwater.config.names import NAME  # noqa: PLC0415
    from holdwater.setting_up.boxes import RESERVED  # noqa: PLC0415
    from holdwater.setting_up.broker import door_of, make_card  # noqa: PLC0415
    from holdwater.setting_up.sensors import SAYS  # noqa: PLC0415

    if not NAME.fullmatch(box) or box in RESERVED:
        raise UsageError(
            f"box '{box}'",
            expected=f"letters, digits, - and _, at most 32; not {' or '.join(RESERVED)}",
            do="write a name such as garden",
        )
    site = site_of(config)
    sends = [SAYS.get(each.kind, each.kind) for each in site.instruments.values() if each.series.startswith(f"{box}:")]
    text, said = make_card(
        box, door_of(site.broker), sends or ["what the config gives it to say"], config.absolute().parent, passwords
    )
    click.echo(f"{text}\n{said}")


def _echo(text: str) -> None:
    click.echo(text)


def _sensor_of(site: Site, tank: str) -> Instrument:
    """The level sensor of a tank.

    Raises:
        UsageError: there is no such tank, or it has none.
    """
    if tank not in site.tanks:
        raise UsageError(f"tank '{tank}'", expected=f"one of {', '.join(site.tanks)}", do="correct the name")
    found = next((each for each in site.instruments_of(tank) if each.gives_depth), None)
    if found is None:
        raise UsageError(
            f"{tank} has no level sensor", expected="a tank with one", do="add [sensor.NAME] to the config"
        )
    return found
