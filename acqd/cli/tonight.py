"""``acqd tonight``: from what is plugged in to a watched night and its report."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from acqd.cli.tonight_asked import Given, Questions
from acqd.cli.tonight_night import Night

if TYPE_CHECKING:
    from acqd.clock import Clock
    from acqd.config.whole import StationConfig
    from acqd.drivers.registry import Registry
    from acqd.station.build import Built
    from acqd.tonight.asking import Asker
    from acqd.tonight.evening import Plan
    from acqd.tonight.hookup import Hookup
    from acqd.tonight.looking import Choice
    from acqd.tonight.ranges import Wanted

__all__ = ["command"]

UNTIL = "07:00"
LEAST_NIGHT_S = 1.0


@click.command("tonight")
@click.argument("ranges", nargs=-1, metavar="[RANGE]...")
@click.option("--until", help='The end: 07:00 (the next one here), "8 h", or ISO 8601.')
@click.option("--config", type=click.Path(), help="The file to write, or to go on with.")
@click.option("--folder", type=click.Path(), help="The folder of file, archive and report.")
@click.option("--sweeper", metavar="ADDRESS", help="The sweeper, instead of looking for it.")
@click.option("--driver", help="The driver for that address; sim: means sim, iq: iq, else scpi.")
@click.option("--option", "options", multiple=True, metavar="KEY=VALUE", help="One of its options.")
@click.option("--probe", is_flag=True, help="Ask ports that nobody knows who they are.")
@click.option("--local", is_flag=True, help="Do not ask the network what it announces (2 s).")
@click.option(
    "--input",
    "on_input",
    type=click.Choice(["aerial", "preamplifier", "pads"]),
    help="What is on its input: an aerial alone, with a preamplifier, or through pads.",
)
@click.option("--gain", metavar="DB", help='The preamplifier\'s gain, such as "20 dB".')
@click.option("--pads", help='The pads, the aerial\'s end first: "30 dB", "20 dB 10 W + 10 dB".')
@click.option(
    "--transmitter",
    type=click.Choice(["none", "near", "on"]),
    help="A transmitter near this aerial, on it, or none.",
)
@click.option("--power", help='Its power, such as "5 W".')
@click.option("--between", help='Between it and the aerial: "40 dB" measured, or "12 m".')
@click.option("--sends", metavar="RANGE", help='Where it sends: "14MHz..14.35MHz".')
@click.option("--absolute-max", help='What the input stands, where nobody knows: "10 dBm".')
@click.option("--region", type=click.IntRange(1, 3), help="ITU Region; else by the time zone.")
@click.option("--anew", is_flag=True, help="Begin anew; a file that is there is put aside.")
@click.option("--no-start", is_flag=True, help="Write the file, and do not start.")
@click.option("-y", "--yes", is_flag=True, help="Ask nothing: take the defaults, and say them.")
@click.option("--json", "as_json", is_flag=True, help="The plan, and the report's path, as JSON.")
@click.option("-v", "--verbose", is_flag=True, help="Log details as well.")
def command(**given: Any) -> None:
    """Watch each RANGE until the morning, and have the report ready.

    A RANGE is a name, such as "marine VHF", "2 m", "70 cm" or "air band", or two frequencies, such
    as 144MHz..146MHz. Looks for sweepers, asks the few questions that matter, times one real sweep
    of each range, says what will and will not be caught, writes station.toml and starts. Where
    station.toml is here already it goes on with that. Ctrl-C ends the night early, with a report.
    """
    evening = _Tonight(Given(**given))
    try:
        evening.do()
    except KeyboardInterrupt:
        click.echo(f"\nacqd: left before the night began; {evening.left}", err=True)
        raise SystemExit(130) from None


class _Tonight:
    """One evening at the command line."""

    def __init__(self, given: Given) -> None:
        from acqd.clock import SystemClock
        from acqd.drivers.registry import load_drivers
        from acqd.tonight.asking import Asker
        from acqd.tonight.keeping import place_of
        from acqd.tonight.moments import local_zone

        if given.config is not None and given.folder is not None:
            raise click.UsageError("--config names the file, --folder its folder; give one of them")
        if (given.driver or given.options) and given.sweeper is None:
            raise click.UsageError("--driver and --option are for an address: give --sweeper")
        self._given = given
        self._path = place_of(given.config, given.folder)
        self._clock: Clock = SystemClock()
        self._zone = local_zone() or "UTC"
        self._registry: Registry = load_drivers()
        self._ask: Asker = Asker(sys.stdin, sys.stderr, takes_defaults=given.yes, fit=self._fit)
        self._night = Night(given, self._ask, self._clock, self._registry)
        self.left = "nothing was written"
        """What there is of it, for somebody who leaves."""

    @staticmethod
    def _fit(text: str) -> str:
        from acqd.cli.wrapping import paragraphs, width_of

        return paragraphs(text, width_of(sys.stderr))

    def do(self) -> None:
        if self._path.is_file() and not self._given.anew:
            self._go_on()
        else:
            self._begin()

    # -- the first evening ----------------------------------------------------------------------

    def _begin(self) -> None:
        import asyncio

        from acqd.tonight.evening import Evening, broker_here, introduced
        from acqd.tonight.keeping import put_aside, refuse_unwritable_folder, write_new
        from acqd.tonight.moments import next_end_s, window_text
        from acqd.tonight.ranges import region_of, wanted_ranges

        given = self._given
        self._refuse_unasked()
        region = given.region or region_of(self._zone)
        wanted = wanted_ranges(given.ranges, region=region, folder=Path.cwd())
        now_s = self._clock.wall_s()
        end_s = next_end_s(given.until or UNTIL, zone=self._zone, now_s=now_s)
        refuse_unwritable_folder(self._path)
        self._say_ranges(wanted, region)
        choice = self._sweeper(max(one.stop_hz for one in wanted))
        opened = asyncio.run(introduced(choice, self._registry, self._clock))
        self._ask.say(f"{opened.identity} answers at {choice.found.address}.")
        watched_hz = min(one.start_hz for one in wanted), max(one.stop_hz for one in wanted)
        hookup = Questions(given, self._ask, watched_hz=watched_hz).hookup(opened.capabilities)
        choice = self._wired(choice, hookup, watched_hz[1])
        broker, address = broker_here()
        evening = Evening(
            path=self._path,
            wanted=wanted,
            choice=choice,
            opened=opened,
            hookup=hookup,
            zone=self._zone,
            region=region,
            window=window_text(now_s, end_s, self._zone),
            broker=broker,
            broker_address=address,
            registry=self._registry,
            clock=self._clock,
        )
        plan = asyncio.run(evening.plan(lambda text: self._ask.say(f"… {text}")))
        self._refuse_past(end_s)
        self._show(plan, choice, end_s)
        self._warn_of_host(plan.config, plan)
        if broker == "none":
            self._ask.say(
                "note: without mosquitto nothing is published, so no live page and no messages; "
                "the night and its report do not need it (apt install mosquitto)"
            )
        starts = not given.no_start
        if starts:
            self._refuse_full(plan.built)
        what = "Write it and start?" if starts else "Write it?"
        if not self._ask.agreed(
            what, why=f"All of this goes into {self._path}, where you can edit it.", told="yes"
        ):
            self._ask.say("nothing was written")
            return
        self._refuse_past(end_s)
        if self._path.exists():
            self._ask.say(f"the old file is now {put_aside(self._path, zone=self._zone)}")
        write_new(self._path, plan.text)
        self.left = f"{self._path} is written, acqd tonight goes on with it"
        self._ask.say(f"wrote {self._path}")
        told = self._told(plan, end_s)
        if not starts:
            self._ask.say(f"start it with: acqd tonight --config {self._path}")
        else:
            told["report"] = self._night.watch(plan.built, plan.config, end_s)
        self._print_json(told)

    def _refuse_past(self, end_s: float) -> None:
        """Looking, thinking and timing took until the end of the night."""
        from acqd.errors import WrongUsage
        from acqd.look.times import clock

        if end_s <= self._clock.wall_s() + LEAST_NIGHT_S:
            at = clock(end_s, self._zone, seconds=True)
            raise WrongUsage(f"the end that was asked for, {at}, has come: give a later --until")

    def _refuse_full(self, built: Built) -> None:
        """A disk on which not one sweep could be kept."""
        import shutil

        from acqd.cli.tables import quantity
        from acqd.errors import AcqdError

        folder = self._path.absolute().parent if not built.archive.exists() else built.archive
        free = shutil.disk_usage(folder).free
        if free <= built.keep_free_bytes:
            raise AcqdError(
                f"{built.archive}: no sweep could be kept: {quantity(float(free), 'B')} are free, "
                f"and {quantity(float(built.keep_free_bytes), 'B')} are left alone: make room, or "
                "name a folder on another disk with --folder"
            )

    def _refuse_unasked(self) -> None:
        """Nobody is there to answer, and nothing says what to take: which flags would."""
        from acqd.errors import WrongUsage

        if self._given.yes or sys.stdin.isatty():
            return
        missing = self._given.missing()
        rest = f"give {', '.join(missing)}, and " if missing else ""
        raise WrongUsage(
            f"there is no terminal to ask on: {rest}--yes to take the rest as it is by default "
            "(--sweeper where several are attached)"
        )

    def _say_ranges(self, wanted: tuple[Wanted, ...], region: int) -> None:
        from acqd.measure.words import range_text
        from acqd.tonight.ranges import BY_REGION

        for one in wanted:
            plan = f", channel plan {one.plan}" if one.plan else ""
            by_region = one.plan and any(one.plan in plans for plans in BY_REGION.values())
            place = f" (ITU Region {region}; --region for another)" if by_region else ""
            where = range_text(one.start_hz, one.stop_hz)
            self._ask.say(f"{one.title}: {where}{plan}{place}")

    # -- which sweeper --------------------------------------------------------------------------

    def _sweeper(self, highest_hz: float) -> Choice:
        from acqd.cli.options import option_values
        from acqd.drivers import mdns, usbports
        from acqd.tonight.looking import at_address, look

        given = self._given
        if given.sweeper is not None:
            return at_address(
                given.sweeper, driver=given.driver, options=option_values(given.options)
            )
        self._ask.say("… looking for sweepers")
        found = look(
            self._registry,
            probe=given.probe,
            list_serial=usbports.serial_ports,
            list_usb=usbports.usb_devices,
            find_holders=usbports.holders,
            list_services=None if given.local else mdns.browse,
        )
        for remark in found.remarks:
            self._ask.say(f"  {remark}")
        if not found.choices:
            if found.unasked:
                self._ask.say(
                    f"  {', '.join(found.unasked)}: nobody knows what that is; --probe asks it "
                    "(a question is sent to it, which some devices take amiss)"
                )
            return self._simulated(highest_hz, has_simulated=found.has_simulated)
        if len(found.choices) == 1:
            return found.choices[0]
        return self._one_of(found.choices)

    def _one_of(self, choices: tuple[Choice, ...]) -> Choice:
        from acqd.errors import WrongUsage

        if self._given.yes:
            known = "; ".join(str(one) for one in choices)
            raise WrongUsage(f"which sweeper? give --sweeper with one of the addresses: {known}")
        number = self._ask.choice(
            "Which one?",
            [str(one) for one in choices],
            why="Several sweepers are attached; one is to watch tonight:",
        )
        return choices[number - 1]

    def _simulated(self, highest_hz: float, *, has_simulated: bool) -> Choice:
        from acqd.errors import SweeperError
        from acqd.tonight.looking import simulated

        advice = (
            "no sweeper was found: plug one in, or name its address with --sweeper "
            "(`acqd find --probe` asks all ports)"
        )
        if not has_simulated or self._given.yes:
            more = "; --sweeper sim:mast takes a simulated one" if has_simulated else ""
            raise SweeperError(f"{advice}{more}")
        if not self._ask.agreed(
            "Take the simulated one?",
            why="No sweeper was found. There is a SIMULATED one, to try all of this out: it hears "
            "an invented\ncoast watch, Gannet Ledge Lookout, and nothing that is on the air.",
        ):
            raise SweeperError(advice)
        return simulated(highest_hz, is_bare=True)

    def _wired(self, choice: Choice, hookup: Hookup, highest_hz: float) -> Choice:
        """The simulated one, with the preamplifier that somebody says is there."""
        from acqd.tonight.looking import simulated

        if self._given.sweeper is not None or not choice.is_simulated:
            return choice
        return simulated(highest_hz, is_bare=not hookup.has_preamplifier)

    # -- telling --------------------------------------------------------------------------------

    def _show(self, plan: Plan, choice: Choice, end_s: float) -> None:
        if self._given.as_json:
            return
        from acqd.cli.wrapping import fitted, width_of

        width = width_of(sys.stdout)

        def show(text: str, first: str = "", rest: str = "  ") -> None:
            click.echo(fitted(text, width, first=first, rest=rest))

        name = f"{plan.identity}{', SIMULATED' if choice.is_simulated else ''}"
        click.echo()
        show(f"The plan, from one real sweep of each range with {name}:")
        for title, sentences in plan.words():
            click.echo(f"\n{title}")
            for sentence in sentences:
                show(sentence, "  ", "    ")
        click.echo("\nWhat would notice that nobody hears")
        for sentence in plan.hearing():
            show(sentence, "  ", "    ")
        if plan.inputs:
            click.echo("\nWhat can arrive at the input")
        for sentence in plan.inputs:
            show(sentence, "  ", "    ")
        click.echo()
        for sentence in self._night_words(plan, end_s):
            show(sentence, rest="")
        for sentence in plan.conflicts(self._clock.wall_s(), end_s):
            show(f"note: {sentence}")
        for taken in self._ask.taken:
            show(f"taken without being asked: {taken}")

    def _night_words(self, plan: Plan, end_s: float) -> tuple[str, str]:
        import shutil

        from acqd.cli.tables import quantity
        from acqd.look.times import clock, duration

        lasting_s = end_s - self._clock.wall_s()
        needs = float(f"{plan.disk_bytes(lasting_s):.2g}")
        free = shutil.disk_usage(self._path.absolute().parent).free
        kept = plan.built.keep_free_bytes
        short = ""
        if free - needs < kept:
            short = f"; that is too little: it stops sweeping at {quantity(float(kept), 'B')} free"
        return (
            f"Until {clock(end_s, self._zone)}, in {duration(round(lasting_s))}: "
            f"{plan.sweeps(lasting_s)} sweeps, about {quantity(needs, 'B')} of disk, "
            f"{quantity(float(free), 'B')} are free{short}.",
            "What was said is not kept, only levels; what is shorter or weaker than told above, "
            "or comes between two sweeps, may be missed. Software protects no input: keep "
            "transmitters off it.",
        )

    def _told(self, plan: Plan, end_s: float) -> dict[str, Any]:
        """The plan as plain data."""
        from acqd.measure.sweeptime import caught_share
        from acqd.tonight.foresight import surely_caught_s, surely_told_s

        return {
            "config": str(self._path.absolute()),
            "sweeper": plan.identity,
            "until_s": end_s,
            "every_s": plan.every_s,
            "plane": plan.plane,
            "ranges": [
                {
                    "job": one.settings.wanted.name,
                    "title": one.title,
                    "channels": one.settings.wanted.plan,
                    "start_hz": one.settings.start_hz,
                    "stop_hz": one.settings.stop_hz,
                    "points": one.settings.points,
                    "hops": one.hops,
                    "rbw_hz": one.rbw_hz,
                    "took_s": one.took_s,
                    "surely_caught_s": surely_caught_s(
                        one, every_s=plan.every_s, round_s=plan.round_s
                    ),
                    "surely_told_s": surely_told_s(one, every_s=plan.every_s, round_s=plan.round_s),
                    "half_as_long_caught": caught_share(plan.every_s / 2.0, plan.every_s),
                    "unit": one.unit,
                    "floor": one.floor,
                    "weakest_seen": one.weakest,
                    "level_accuracy_db": one.accuracy_db,
                    "preamplifier_gains_db": None if one.gained is None else one.gained.gain_db,
                    "signals": one.signals,
                }
                for one in plan.seen
            ],
            "hearing": list(plan.hearing()),
            "inputs": list(plan.inputs),
            "taken": list(self._ask.taken),
            "report": None,
        }

    def _print_json(self, told: dict[str, Any]) -> None:
        import json

        if self._given.as_json:
            click.echo(json.dumps(told, indent=2, ensure_ascii=False))

    def _warn_of_host(self, config: StationConfig, plan: Plan | None) -> None:
        """What of this machine could cost the night, a line each."""
        from acqd.host import Needs, look, short_lines

        day_s = 86_400.0
        needs = Needs.of_config(
            config,
            bytes_a_day=None if plan is None else plan.disk_bytes(day_s),
            commits_a_second=None if plan is None else plan.sweeps(day_s) / day_s,
        )
        for line in short_lines(look(needs)):
            self._ask.say(f"this machine: {line}")

    # -- another evening ------------------------------------------------------------------------

    def _go_on(self) -> None:
        from acqd.archive.lock import holder_of
        from acqd.config.load import load_config
        from acqd.errors import AcqdError, PortBusy
        from acqd.look.times import clock, date
        from acqd.station.build import build
        from acqd.tonight.moments import is_duration, next_end_s
        from acqd.tonight.night import watch_of

        given = self._given
        config = load_config(self._path)
        built = build(config, self._registry)
        zone = built.time_zone
        jobs = ", ".join(config.jobs[name].title or name for name in config.enabled_jobs)
        self._ask.say(f"{self._path} is here: going on with it ({jobs}). --anew begins anew.")
        self._say_ignored()
        now_s = self._clock.wall_s()
        watch = watch_of(config, now_s)
        if watch is None:
            raise AcqdError(f"{self._path}: no job of it is ever due again; edit its `when`")
        if given.until is not None or watch.ends_s is None:
            end_s = next_end_s(given.until or UNTIL, zone=zone, now_s=now_s)
        else:
            end_s = watch.ends_s
        if watch.begins_s >= end_s:
            raise AcqdError(
                f"{self._path}: its window opens at {clock(watch.begins_s, zone)} on "
                f"{date(watch.begins_s, zone)}, after the end that was asked for; leave out "
                "--until, or edit `window`"
            )
        holder = holder_of(built.archive)
        if holder is not None:
            raise PortBusy(
                f"{built.archive}: in use by {holder}: that station runs already; `acqd status` "
                "shows it"
            )
        self._refuse_wrong(built)
        if watch.begins_s > now_s:
            self._ask.say(f"its window opens at {clock(watch.begins_s, zone)}; it waits until then")
        self._warn_of_host(config, None)
        told: dict[str, Any] = {"config": str(self._path.absolute()), "until_s": end_s}
        if given.until is not None and is_duration(given.until):
            # Sweepers and machine were looked at meanwhile: so long is meant from here on.
            end_s = next_end_s(given.until, zone=zone, now_s=self._clock.wall_s())
            told["until_s"] = end_s
        self._refuse_past(end_s)
        if not given.no_start:
            self._refuse_full(built)
        told["report"] = None if given.no_start else self._night.watch(built, config, end_s)
        self._print_json(told)

    def _say_ignored(self) -> None:
        """What was said of a night that the file says already."""
        given = self._given
        if given.ranges:
            self._ask.say(
                "the ranges are those of the file: edit it to watch others, or give --anew"
            )
        words = (given.sweeper, given.on_input, given.pads, given.transmitter, given.power)
        if any(word is not None for word in words):
            self._ask.say("so are sweeper, input and transmitter")

    def _refuse_wrong(self, built: Built) -> None:
        """Ask the sweepers, and refuse what cannot work; what is away may come back."""
        import asyncio

        from acqd.errors import AcqdError
        from acqd.station.forecast import forecast

        seen = asyncio.run(forecast(built, clock=self._clock, ask=True))
        for sweeper in seen.sweepers:
            self._ask.say(f"{sweeper.name}: {sweeper.state}")
        wrong = [f"{job.name}: {job.problem}" for job in seen.jobs if job.problem]
        wrong += [f"{one.name}: {one.state}" for one in seen.sweepers if one.is_wrong]
        wrong += [seen.archive_problem] if seen.archive_problem else []
        if wrong:
            raise AcqdError("; ".join(wrong))
