"""Who plays the sweepers, and what is said of it."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Any

import pytest

from acqd import open_archive
from acqd.clock import Clock
from acqd.config.load import load_config
from acqd.drivers.registry import Registry, load_drivers
from acqd.drivers.worker import Cancel
from acqd.errors import WrongUsage
from acqd.rehearsal.outcome import outcome_of
from acqd.rehearsal.standin import Cast, RealPace, cast
from acqd.rehearsal.virtual import StandingClock
from acqd.station.build import build

if TYPE_CHECKING:
    from conftest import Rehearsals

NIGHT_S = 1_795_899_600.0
ELSEWHERE = "tcp://127.0.0.1:5025"


def cast_of(night: Rehearsals, *parts: str, at_s: float = NIGHT_S, **options: Any) -> Cast:
    registry = load_drivers()
    built = build(load_config(night.config(*parts)), registry, broker="none")
    clock: Clock = StandingClock(at_s)
    return cast(built, registry, clock=clock, **options)


def test_a_simulated_sweeper_plays_itself_at_the_clocks_own_pace(night: Rehearsals) -> None:
    options = 'options = { scene = "./scene.toml", time_scale = 0.02, path = [] }'
    found = cast_of(night, night.sweeper(more=options), night.job("vhf"))
    (mast,) = found.sweepers
    assert mast.address == "sim:mast"
    assert dict(mast.options) == {"scene": str(night.scene), "path": []}
    assert found.assumed == ("mast is simulated by the config itself (sim:mast)",)


def test_another_is_played_by_the_scenes_instrument_of_its_name(night: Rehearsals) -> None:
    found = cast_of(
        night,
        night.sweeper(driver="scpi", address=ELSEWHERE, more='serial_number = "X1"'),
        night.job("vhf"),
        scene=night.scene,
    )
    (mast,) = found.sweepers
    assert (mast.driver_name, mast.address, mast.expected) == ("sim", "sim:mast", None)
    (said,) = found.assumed
    assert said.startswith(f"mast (scpi at {ELSEWHERE}) is played by the scene's instrument `mast`")
    assert "nobody has timed a real one" in said


def test_the_scene_of_the_simulated_ones_is_that_of_the_others_too(night: Rehearsals) -> None:
    found = cast_of(
        night,
        night.sweeper("plug"),
        night.sweeper(driver="scpi", address=ELSEWHERE, more=""),
        night.job("one", sweeper="plug"),
        night.job("two"),
    )
    assert {one.options["scene"] for one in found.sweepers} == {str(night.scene)}


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("roof", "because the scene has no instrument `roof`"),
        ("narrow", "because the scene's instrument of its name cannot do the job vhf"),
    ],
)
def test_what_the_scene_has_no_fit_for_is_played_by_one_of_wide_range(
    night: Rehearsals, name: str, why: str
) -> None:
    found = cast_of(
        night,
        night.sweeper(name, driver="scpi", address=ELSEWHERE, more=""),
        night.job("vhf", sweeper=name).replace('rbw = "10 kHz"', 'rbw = "9 kHz"'),
        scene=night.scene,
    )
    (one,) = found.sweepers
    assert one.address == "sim:any"
    assert one.options["rbw_hz"] == [9000.0]
    assert why in found.assumed[0]


def test_a_job_of_any_bandwidth_is_swept_by_the_one_of_wide_range(night: Rehearsals) -> None:
    done = night(
        night.sweeper("roof", driver="scpi", address=ELSEWHERE, more=""),
        night.job("vhf", sweeper="roof").replace('rbw = "10 kHz"', 'rbw = "9 kHz"'),
        scene=night.scene,
        length_s=60.0,
    )
    (vhf,) = outcome_of(done).jobs
    assert (vhf.due, vhf.kept) == (30, 30)


def test_where_the_archive_knows_the_real_one_points_and_times_are_its_own(
    night: Rehearsals,
) -> None:
    # What stands for the past: three hops of 50 points at most, half a second in all.
    real = night.scene.read_text() + (
        '\n[instrument.roof]\nscene = "harbour"\npoints_max = 51\nsweep_factor = 18.0\n'
    )
    (night.folder / "real.toml").write_text(real)
    job = night.job("vhf", sweeper="roof")
    past = night(
        night.sweeper("roof", more='options = { scene = "./real.toml" }'),
        job,
        archive=night.folder / "archive",
        length_s=60.0,
        from_s=_lately(),
    )
    with open_archive(past.archive) as archive:
        took_s = float(archive.sweeps("vhf")["duration"].values[-1])
        assert archive.sweeps("vhf").sizes["hop"] > archive.sweeps("vhf").sizes["sweep"]
    # The same config but for the driver, whose options say nothing that a level hangs on.
    found = cast_of(
        night,
        night.sweeper("roof", driver="scpi", address=ELSEWHERE, more=""),
        job,
        scene=night.scene,
    )
    (one,) = found.sweepers
    assert one.options["points_max"] == 51
    assert "51 points at most, as it has" in found.assumed[0]
    assert took_s > 0


def test_a_real_sweep_that_was_timed_sets_the_pace(night: Rehearsals) -> None:
    registry = load_drivers()
    config = night.config(night.sweeper(), night.job("vhf"))
    built = build(load_config(config), registry, broker="none")
    (spec,) = built.sweepers
    sweeper = registry.make("sim").open(_Context(spec.address, spec.options))
    pace = RealPace(built.jobs, sweeper, {"vhf": 3.0})
    request = built.jobs[0].request
    simulated_s = sweeper.estimate_s(request)
    assert simulated_s is not None
    assert pace(request) * simulated_s == pytest.approx(3.0)
    assert "take as long as the last real one" in pace.describe()


def test_one_that_is_unplugged_at_that_hour_is_still_asked_what_it_can_do(
    night: Rehearsals,
) -> None:
    found = cast_of(
        night, night.sweeper("plug"), night.job("vhf", sweeper="plug"), at_s=NIGHT_S + 180.0
    )
    assert found.sweepers[0].address == "sim:plug"


def test_another_scene_takes_the_place_of_all(night: Rehearsals) -> None:
    other = night.folder / "other.toml"
    other.write_text('seed = 1\n[scene.quiet]\n[instrument.bench]\nscene = "quiet"\n')
    found = cast_of(night, night.sweeper(), night.job("vhf"), scene=other)
    assert found.sweepers[0].address == "sim:any"
    assert found.sweepers[0].options["scene"] == str(other)


def test_without_the_simulator_there_is_no_rehearsal(night: Rehearsals) -> None:
    registry = load_drivers()
    built = build(
        load_config(night.config(night.sweeper(), night.job("vhf"))), registry, broker="none"
    )
    with pytest.raises(WrongUsage, match="acqd-sim"):
        cast(built, Registry(drivers={}, broken=()), clock=StandingClock(NIGHT_S))


def test_options_that_the_simulator_does_not_know_are_told(night: Rehearsals) -> None:
    with pytest.raises(WrongUsage, match=r"sweeper mast.*colour"):
        cast_of(night, night.sweeper(more='options = { colour = "red" }'), night.job("vhf"))


def _lately() -> float:
    return float(int(time.time()) - 300)


class _Context:
    def __init__(self, address: str, options: Any) -> None:
        self.name = "mast"
        self.address = address
        self.options = options
        self.cancel = Cancel()

    def connect(self) -> Any:
        raise AssertionError
