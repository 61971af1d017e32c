"""``acqd status``: of a station that runs, of one that ran, and of one that never did."""

from __future__ import annotations

import math
import re
from pathlib import Path
from typing import Any

from acqd.archive.reader import open_archive
from acqd.station.standing import BINS, figures_of


def test_a_running_station_says_how_it_stands(acqd: Any, folder: Path, start: Any) -> None:
    station = start(folder / "station.toml")
    station.until('"job": "marine-vhf", "number": 1')
    answer = acqd("status", folder=folder)
    lines = answer.out.splitlines()
    # Where others keep this machine busy it may miss some.
    limps = lines[1].startswith("It limps: mast lost ")
    assert (answer.code, limps or lines[1]) in {(0, "It is well."), (3, True)}, answer.err
    assert lines[0].startswith("Gannet Ledge Lookout (lookout) runs since ")
    assert any("mast" in line and "present since" in line and "GL0017" in line for line in lines)
    assert "  marine-vhf, band on mast: listening" in lines
    assert any(line.startswith("    kept ") and " due in this hour, " in line for line in lines)
    assert any(line.startswith("    finding ") for line in lines)
    assert any(line.startswith("    floor ") and "dBm (last hour" in line for line in lines)
    told = acqd("status", "--json", folder=folder).json
    assert told["runs"] and told["health"]["sweeps"] > 0
    (mast,) = told["health"]["sweepers"]
    assert (mast["sweeper"], mast["state"], mast["hanging"]) == ("mast", "present", 0)
    assert mast["swept_s"] == max(job["swept_s"] or 0.0 for job in told["jobs"])
    assert any(re.fullmatch(r" +last sweep at \d\d:\d\d:\d\d, \d+ s ago", one) for one in lines)
    (job,) = [one for one in told["jobs"] if one["job"] == "marine-vhf"]
    assert station.stop() == 0
    archive = open_archive(folder / "archive")
    stored = archive.sweeps("marine-vhf")
    assert job["last_seq"] <= int(stored["sequence"].values[-1])
    assert job["finding"] == archive.findings("marine-vhf")[job["last_finding"] - 1].text


def test_one_that_ended_is_told_from_its_archive(acqd: Any, kept: Path) -> None:
    answer = acqd("status", folder=kept)
    assert answer.code == 1
    assert "Gannet Ledge Lookout does not run; its last sweep was on " in answer.out
    assert re.search(r"Start it with acqd run \S*station\.toml\n", answer.out)
    assert "  marine-vhf, band on mast" in answer.out.splitlines()


def test_one_that_never_ran_says_so(acqd: Any, folder: Path) -> None:
    answer = acqd("status", folder=folder)
    assert answer.code == 1 and "holds no sweeps yet" in answer.out


def test_the_curve_has_the_means_of_the_column(kept: Path) -> None:
    archive = open_archive(kept / "archive")
    data = archive.sweeps("marine-vhf")
    now_s = float(data["started"].values[-1]) + 1.0
    figure = figures_of(archive, "marine-vhf", now_s=now_s)
    assert figure is not None and figure["column"] == "floor_dbm"
    values = [value for value in figure["values"] if math.isfinite(value)]
    assert len(figure["values"]) == BINS and 1 <= len(values) <= 2
    floor = data["floor_dbm"].values
    assert floor.min() <= min(values) and max(values) <= floor.max()
    assert figure["last"] == floor[-1]
    assert figures_of(archive, "marine-vhf", now_s=now_s - 7200.0) is None
