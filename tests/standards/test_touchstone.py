"""Our Touchstone files, read by scikit-rf: values, and the filter found in them.

Touchstone 1.1 (from memory): option line, order of the entries of a two-port, ``!`` comments.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import skrf
from numpy.typing import NDArray
from scipy import signal

from acqd.measure.losscurve import LossCurve
from acqd.measure.response import recognise
from acqd.measure.touchstone import DataFormat, TouchstoneText, one_port_text, two_port_text

Complex = NDArray[np.complex128]
AXIS = np.linspace(135e6, 155e6, 401)
COMMENTS = [
    "Gannet Ledge Lookout, job duplexer, 2026-03-14 09:26 UT",
    "U = ±0.4 dB (k = 2), 50 Ω, −20 dBm at the source",
    "Port 2 terminated; gamma of the load not known",
]


def band_pass() -> Complex:
    b, a = signal.butter(
        3, 2 * np.pi * np.array([143.013792e6, 147.013792e6]), "bandpass", analog=True
    )
    return np.asarray(signal.freqs(b, a, 2 * np.pi * AXIS)[1])


def read(found: TouchstoneText, folder: Path) -> skrf.Network:
    path = folder / f"gannet-ledge{found.suffix}"
    path.write_text(found.text, encoding="ascii")
    return skrf.Network(str(path))


@pytest.mark.source("scikit-rf 2.2.0, reading Touchstone 1.1", "compared")
@pytest.mark.parametrize("data_format", [None, *DataFormat])
def test_full_two_port(data_format: DataFormat | None, tmp_path: Path) -> None:
    """Each of the four entries comes back in its place, in every format."""
    s21 = band_pass()
    given = {"s11": 0.5 * s21 + 0.1, "s21": s21, "s12": 0.9j * s21, "s22": 0.2 - 0.3j + 0 * s21}
    found = two_port_text(AXIS, comments=COMMENTS, data_format=data_format, **given)
    network = read(found, tmp_path)
    assert network.f == pytest.approx(AXIS, abs=0.0)
    assert network.z0 == pytest.approx(50.0)
    for (row, column), name in np.ndenumerate([["s11", "s12"], ["s21", "s22"]]):
        assert network.s[:, row, column] == pytest.approx(given[name], rel=1e-12)
    assert network.noise is None
    assert network.port_names is None
    assert "Gannet Ledge Lookout" in network.comments


@pytest.mark.source("scikit-rf 2.2.0, reading Touchstone 1.1", "compared")
@pytest.mark.parametrize("data_format", [None, *DataFormat])
def test_scalar_one_port(data_format: DataFormat | None, tmp_path: Path) -> None:
    """A return loss without phase: its magnitude comes back, its angle as 0."""
    return_loss_db = np.linspace(3.0, 30.0, AXIS.size)
    found = one_port_text(
        AXIS, -return_loss_db, comments=COMMENTS, impedance_ohm=75.0, data_format=data_format
    )
    network = read(found, tmp_path)
    assert network.s_db[:, 0, 0] == pytest.approx(-return_loss_db, abs=1e-9)
    assert network.s_deg[:, 0, 0] == pytest.approx(0.0)
    assert network.z0[0, 0] == 75.0
    assert "the angle of S11 is unknown and not zero" in network.comments


@pytest.mark.source("scikit-rf 2.2.0, reading Touchstone 1.1", "compared")
def test_edges_and_q_of_a_file_are_ours(tmp_path: Path) -> None:
    """The loss that scikit-rf reads from our scalar file has the edges and the Q that we gave."""
    loss_db = 1.2 - 20 * np.log10(np.abs(band_pass()))
    found = two_port_text(AXIS, s21=-loss_db, comments=COMMENTS)
    network = read(found, tmp_path)
    assert (network.s[:, 0, 0] == 0).all()
    assert (network.s[:, 0, 1] == 0).all()
    assert (network.s[:, 1, 1] == 0).all()
    (ours,) = recognise(LossCurve.of(AXIS, loss_db, u_db=0.0)).passbands
    theirs_db = -20 * np.log10(np.abs(network.s[:, 1, 0]))
    (theirs,) = recognise(LossCurve.of(network.f, theirs_db, u_db=0.0)).passbands
    assert theirs.q == pytest.approx(ours.q, rel=1e-9)
    inside = network.f[theirs_db <= theirs_db.min() + 3.0]
    pair = ours.edges[0]
    step_hz = float(AXIS[1] - AXIS[0])
    assert pair.lower.frequency_hz == pytest.approx(inside[0], abs=step_hz)
    assert pair.upper.frequency_hz == pytest.approx(inside[-1], abs=step_hz)
    assert ours.q == pytest.approx(145.0 / 3.9968, rel=2e-3)


@pytest.mark.source("scikit-rf 2.2.0, reading Touchstone 1.1", "compared")
def test_points_left_out_leave_the_rest_in_place(tmp_path: Path) -> None:
    s21 = band_pass()
    s21[[0, 200, 400]] = np.nan
    network = read(two_port_text(AXIS, s21=s21), tmp_path)
    kept = np.isfinite(s21)
    assert network.f == pytest.approx(AXIS[kept], abs=0.0)
    assert network.s[:, 1, 0] == pytest.approx(s21[kept], rel=1e-12)


@pytest.mark.source("scikit-rf 2.2.0, reading Touchstone 1.1", "compared")
def test_group_delay_of_a_file(tmp_path: Path) -> None:
    """scikit-rf's group delay of what it read is that of what we wrote."""
    s21 = band_pass()
    network = read(two_port_text(AXIS, s21=s21), tmp_path)
    delay_s = -np.gradient(np.unwrap(np.angle(s21)), 2 * np.pi * AXIS)
    assert network.s21.group_delay[:, 0, 0].real == pytest.approx(delay_s, rel=1e-6)
