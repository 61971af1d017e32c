"""The command ``acqd dash``: what it prints, refuses, and needs."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
import time
from typing import Any

import pytest

from acqd.cli import main
from acqd.cli.dash import _address

ACQD = (sys.executable, "-c", "from acqd.cli import main; main()")


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*ACQD, *arguments], capture_output=True, text=True, timeout=60)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        (("--broker", "somewhere"), "expected mqtt://HOST:PORT"),
        (("--broker", "http://x"), "unknown scheme"),
        (("--broker", "mqtt://a:b@x"), "no place"),
        (("--broker", "mqtt://x", "--listen", "8471"), "expected HOST:PORT"),
        (("--broker", "mqtt://x", "--listen", "127.0.0.1:99999"), "expected HOST:PORT"),
        (("--broker", "mqtt://x", "--listen", ":8471"), "expected HOST:PORT"),
        (("--broker", "mqtt://x", "--listen", "*:8471"), "expected HOST:PORT"),
        (("--broker", "mqtt://x", "--listen", "a..b:8471"), "expected HOST:PORT"),
        (("--broker", "mqtt://x", "--listen", f"{'a' * 70}:8471"), "expected HOST:PORT"),
        (("--broker", "mqtt://a..b"), "broker 'a..b': no name"),
        (("--broker", "mqtt://a b"), "broker 'a b': no name"),
        (("--broker", "mqtt://" + "a" * 70), "no name or address"),
        (("--broker", "mqtt://x", "--token", "short"), "can be guessed"),
        (("--broker", "mqtt://x", "--token-file", "/nowhere"), "cannot be read"),
        (("--broker", "mqtt://x", "--station", "A B"), "--station A B"),
        (("--broker", "mqtt://x", "--zone", "Mars/Base"), "--zone Mars/Base"),
        (("--broker", "mqtt://x", "--root", "a b"), "--root"),
        (("--broker", "mqtt://x", "--user-env", "NOT_SET_AT_ALL"), "NOT_SET_AT_ALL is not set"),
        (("--broker", "mqtt://x", "--ca-file", "x.pem"), "--ca-file"),
        (("/nowhere/station.toml",), "station.toml"),
    ],
)
def test_bad_input_is_one_clear_line(
    options: tuple[str, ...], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit) as left:
        main(["dash", *options])
    errors = capsys.readouterr().err
    assert left.value.code == 2
    assert said in errors
    assert len(errors.strip().splitlines()) == 1


def test_an_address_of_another_machine_is_one_clear_line() -> None:
    done = run("dash", "--broker", "mqtt://127.0.0.1:1", "--listen", "203.0.113.1:8471")
    assert done.returncode == 1
    assert "cannot listen on 203.0.113.1:8471" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_taken_port_is_one_clear_line() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        done = run("dash", "--broker", "mqtt://127.0.0.1:1", "--listen", f"127.0.0.1:{port}")
    assert done.returncode == 1
    assert f"cannot listen on 127.0.0.1:{port}" in done.stderr
    assert "Traceback" not in done.stderr


def test_others_are_let_in_with_a_token_that_is_printed_once() -> None:
    quiet: dict[str, Any] = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE, "text": True}
    options = ("--broker", "mqtt://127.0.0.1:1", "--listen", "0.0.0.0:0", "--wall", "--qr")
    dash = subprocess.Popen([*ACQD, "dash", *options], **quiet)
    try:
        assert dash.stdout is not None
        url = dash.stdout.readline().strip()
        time.sleep(1.0)
        dash.send_signal(signal.SIGTERM)
        code = dash.wait(20)
    finally:
        if dash.poll() is None:
            dash.kill()
        rest, errors = dash.communicate()
    token = url.partition("token=")[2].partition("&")[0]
    assert len(token) >= 20
    assert url.endswith("&wall=1")
    assert code == 0
    assert len(rest.splitlines()) > 10  # the code for a phone
    assert token not in rest
    assert token not in errors
    assert "broker_away" in errors


def test_the_help_needs_none_of_what_serves() -> None:
    script = (
        "import sys; from acqd.cli import main\n"
        "try: main(['dash', '--help'])\n"
        "except SystemExit: pass\n"
        "heavy = {'aiohttp', 'numpy', 'h5py', 'xarray', 'segno', 'aiomqtt'} & set(sys.modules)\n"
        "assert not heavy, heavy"
    )
    done = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr


def test_addresses_of_both_kinds_are_understood() -> None:
    for text, wanted in (
        ("[::1]:8471", ("::1", 8471)),
        ("::1:8471", ("::1", 8471)),
        (" 0.0.0.0:0 ", ("0.0.0.0", 0)),
        ("shack.example:80", ("shack.example", 80)),
    ):
        assert _address(text) == wanted
