"""TLS and logins against a real broker that insists on them."""

from __future__ import annotations

import os
import shutil
import subprocess

import pytest

from acqd.config.mqtt import Endpoint
from acqd.errors import BrokerError
from acqd.publish.link import round_trip
from acqd.publish.settings import BrokerSettings, MqttVersion

pytestmark = pytest.mark.usefixtures("have_mosquitto")


def program(name: str) -> str:
    """The path of a program; without it the test is skipped, in CI it fails."""
    path = shutil.which(name, path=os.environ["PATH"] + ":/usr/sbin")
    if path is None:
        if os.environ.get("CI"):
            pytest.fail(f"{name} is not installed")
        pytest.skip(f"{name} is not installed")
    return path


@pytest.fixture
def certificate(folder):
    """A certificate of 127.0.0.1 that signs itself, and its key."""
    made, key = folder / "cert.pem", folder / "key.pem"
    words = "req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -days 2 -subj /CN=gannet"
    words += " -addext subjectAltName=IP:127.0.0.1"
    subprocess.run(
        [program("openssl"), *words.split(), "-keyout", str(key), "-out", str(made)],
        check=True,
        capture_output=True,
    )
    return made, key


@pytest.fixture
async def tls_broker(make_mosquitto, certificate):
    """A broker that speaks TLS on the port of ``tls`` beside its plain one."""
    made, key = certificate
    from acqd.publish.child import free_port

    port = free_port("127.0.0.1")
    broker = make_mosquitto(f"listener {port} 127.0.0.1", f"certfile {made}", f"keyfile {key}")
    await broker.up()
    broker.tls = Endpoint(host="127.0.0.1", port=port, tls=True)
    return broker


@pytest.mark.slow
@pytest.mark.parametrize("version", list(MqttVersion), ids=lambda v: f"mqtt-{v}")
async def test_tls_with_a_certificate_file(version, tls_broker, certificate):
    """With the broker's certificate to trust, a round trip works."""
    settings = BrokerSettings(address=tls_broker.tls, ca_file=certificate[0])
    assert await round_trip(tls_broker.tls, version, 3.0, settings=settings) < 1.0


@pytest.mark.slow
async def test_tls_refuses_a_certificate_it_does_not_know(tls_broker):
    """The system's certificates do not vouch for this broker: no connection."""
    with pytest.raises(BrokerError, match="certificate verify failed"):
        await round_trip(tls_broker.tls, MqttVersion.V5, 3.0)


@pytest.mark.slow
async def test_tls_refuses_another_host(tls_broker, certificate):
    """A certificate of 127.0.0.1 is not one of localhost."""
    other = Endpoint(host="localhost", port=tls_broker.tls.port, tls=True)
    settings = BrokerSettings(address=other, ca_file=certificate[0])
    with pytest.raises(BrokerError, match="certificate verify failed"):
        await round_trip(other, MqttVersion.V5, 3.0, settings=settings)


@pytest.mark.parametrize("text", [None, "no certificate"], ids=["missing", "nonsense"])
def test_a_certificate_file_that_cannot_be_used_is_named(text, folder):
    """One line with the file's name."""
    path = folder / "ca.pem"
    if text is not None:
        path.write_text(text)
    settings = BrokerSettings(address=Endpoint(host="b", port=8883, tls=True), ca_file=path)
    with pytest.raises(BrokerError, match=r"cannot use the certificates of .*ca\.pem"):
        settings.tls_context()


@pytest.fixture
def passwords(folder):
    """A password file in which watch has the password right."""
    path = folder / "passwords"
    path.touch(mode=0o600)
    subprocess.run(
        [program("mosquitto_passwd"), "-b", str(path), "watch", "right"],
        check=True,
        capture_output=True,
    )
    return path


@pytest.mark.slow
async def test_login(make_mosquitto, passwords):
    """The right password works; with a wrong one the broker's own reason is given."""
    broker = make_mosquitto("allow_anonymous false", f"password_file {passwords}")
    broker.config.write_text(broker.config.read_text().replace("allow_anonymous true\n", ""))
    right = BrokerSettings(address=broker.endpoint, user="watch", password="right")
    await broker.up(right)
    wrong = BrokerSettings(address=broker.endpoint, user="watch", password="hunter2-secret")
    for version in MqttVersion:
        with pytest.raises(BrokerError, match=r"(?i)not authori[sz]ed") as caught:
            await round_trip(broker.endpoint, version, 2.0, settings=wrong)
        assert "hunter2" not in str(caught.value) + repr(wrong)
