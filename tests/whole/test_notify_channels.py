"""Every kind of channel against a real server on loopback, stopped and started again in mid-run."""

import json
import os
import signal
import smtplib
import ssl
import stat
import subprocess
import sys
import wave
from collections.abc import Callable
from dataclasses import replace
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest

from logger.alert import AlertEvent, Phase
from logger.alert_rules import RULES, AlertKind
from logger.errors import OutsideFault
from logger.notify import Notifier, alert_test, message_of
from logger.notify_channels import MailSender, Message
from logger.notify_machine import tone
from logger.notify_settings import (
    Channel,
    DesktopChannel,
    MailChannel,
    MqttChannel,
    NotifySettings,
    PushChannel,
    Secret,
    SoundChannel,
)
from tests.whole.loopback import (
    MOSQUITTO,
    MailServer,
    WebServer,
    broker,
    dripping_server,
    free_port,
    listener,
    mail_server,
    reached,
    web_server,
)

UTC_S = 1_795_600_800.0
its_own_warnings = pytest.mark.filterwarnings("ignore:'imghdr' is deprecated:DeprecationWarning")
"""The notification library's, on this Python."""

needs_broker = pytest.mark.skipif(MOSQUITTO is None, reason="needs an MQTT broker: apt install mosquitto")


def event(number: int = 1, phase: Phase = Phase.RAISED) -> AlertEvent:
    rule = RULES[AlertKind.OVER_TEMPERATURE]
    return AlertEvent(
        AlertKind.OVER_TEMPERATURE, "air", number, phase, 70.0, rule.severity, rule.title, "1013 °C.", rule.advice
    )


def message(number: int = 1, oven: str = "Rückraum") -> Message:
    return message_of(f"id-{number}", event(number), UTC_S, oven, "2026-11-25-a")


def settings(*channels: Channel) -> NotifySettings:
    return NotifySettings(channels=channels, retry_first_s=0.02, retry_longest_s=0.1)


def send(notifier: Notifier, number: int) -> None:
    notifier.send(f"id-{number}", event(number), utc_s=UTC_S, oven="Rückraum", run="2026-11-25-a")


def delivered_over_a_restart(channel: Channel, start: Callable[[], None], stop: Callable[[], None]) -> None:
    """One message while the server is up, one while it is down, one after it has come back."""
    notifier = Notifier(settings(channel))
    notifier.start()
    try:
        start()
        send(notifier, 1)
        assert notifier.wait_until_idle(20.0)
        stop()
        send(notifier, 2)
        assert reached(lambda: notifier.states()[0].failures_in_a_row >= 1)
        start()
        send(notifier, 3)
        assert notifier.wait_until_idle(20.0), notifier.states()
    finally:
        notifier.close()


# --- mail ------------------------------------------------------------------------------------------------------------


def mail_channel(port: int, **more: Any) -> MailChannel:
    plain = MailChannel(
        name="mail",
        host="127.0.0.1",
        port=port,
        security="none",
        sender="oven@example.org",
        to=("käthe@example.org", "second@example.org"),
        deadline_s=5.0,
    )
    return replace(plain, **more)


def test_mail_arrives_with_headline_number_and_advice() -> None:
    with mail_server(enable_SMTPUTF8=True) as server:
        MailSender(mail_channel(server.port)).send(message(), 5.0)
    (mail,) = server.mails
    assert mail["Subject"] == "Rückraum: Over temperature"
    assert server.recipients == [["käthe@example.org", "second@example.org"]]
    body = mail.get_content()
    assert "1013 °C." in body
    assert "breaker" in body
    assert "run 2026-11-25-a" in body
    assert mail["Message-ID"] == "<id-1@soaktally.invalid>"


def test_mail_survives_a_restart_of_its_server() -> None:
    server = MailServer()
    delivered_over_a_restart(mail_channel(server.port, to=("a@example.org",)), server.start, server.stop)
    server.stop()
    assert [mail["Message-ID"] for mail in server.mails] == [f"<id-{n}@soaktally.invalid>" for n in (1, 2, 3)]


def test_mail_to_a_mailbox_that_does_not_exist_names_it() -> None:
    with mail_server() as server, pytest.raises(OutsideFault) as fault:
        MailSender(mail_channel(server.port, to=("nobody@example.org",))).send(message(), 5.0)
    assert str(fault.value) == "127.0.0.1: does not take mail for nobody@example.org"


def test_a_mail_server_that_drips_is_left_at_the_deadline() -> None:
    with dripping_server(b"220-hello\r\n220-") as port, pytest.raises(OutsideFault) as fault:
        MailSender(mail_channel(port)).send(message(), 0.3)
    assert str(fault.value) == "127.0.0.1: no complete answer in 0.3 s"


def test_a_mail_password_is_used_and_never_repeated(monkeypatch: pytest.MonkeyPatch) -> None:
    from aiosmtpd.smtp import AuthResult

    seen: list[bytes] = []

    def check(server: Any, session: Any, envelope: Any, mechanism: str, given: Any) -> AuthResult:
        seen.append(given.password)
        return AuthResult(success=given.password == b"right-one", handled=False)

    with mail_server(authenticator=check, auth_require_tls=False) as server:
        channel = mail_channel(
            server.port, to=("a@example.org",), user="oven", password=Secret(environment="MAIL_PASSWORD")
        )
        monkeypatch.setenv("MAIL_PASSWORD", "wrong-one")
        (trial,) = alert_test(settings(channel))
        assert trial.reason == "127.0.0.1: refuses user or password (535)"
        monkeypatch.setenv("MAIL_PASSWORD", "right-one")
        (trial,) = alert_test(settings(channel))
        assert trial.delivered, trial.reason
    assert b"right-one" in seen


@pytest.fixture(scope="module")
def certificate(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    folder = tmp_path_factory.mktemp("tls")
    key, cert = folder / "key.pem", folder / "cert.pem"
    subprocess.run(
        f"openssl req -x509 -newkey rsa:2048 -nodes -days 2 -subj /CN=localhost -addext subjectAltName=DNS:localhost "
        f"-keyout {key} -out {cert}".split(),
        check=True,
        capture_output=True,
    )
    return key, cert


def test_mail_by_starttls_goes_only_to_a_server_whose_certificate_is_trusted(
    certificate: tuple[Path, Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    key, cert = certificate
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(cert, key)
    with mail_server(tls_context=context, require_starttls=True) as server:
        channel = mail_channel(server.port, host="localhost", security="starttls", to=("a@example.org",))
        (trial,) = alert_test(settings(channel))
        assert trial.reason == "localhost: its certificate is not trusted: self-signed certificate"
        monkeypatch.setenv("SSL_CERT_FILE", str(cert))
        (trial,) = alert_test(settings(channel))
        assert trial.delivered, trial.reason
    assert len(server.mails) == 1


def test_what_starttls_checks_is_the_name_of_the_server() -> None:
    """smtplib keeps the name only when it connects by itself; `MailSender` connects later and must set it."""
    assert hasattr(smtplib.SMTP(), "_host")


# --- MQTT ------------------------------------------------------------------------------------------------------------


def mqtt_channel(port: int, **more: Any) -> MqttChannel:
    return replace(MqttChannel(name="broker", host="127.0.0.1", port=port, deadline_s=5.0), **more)


@needs_broker
def test_an_alert_and_the_state_of_an_oven_are_on_the_broker_for_whoever_asks_later(tmp_path: Path) -> None:
    with broker(tmp_path) as running:
        notifier = Notifier(settings(mqtt_channel(running.port)))
        notifier.start()
        with listener(running.port) as hears:
            assert reached(lambda: hears.last("soaktally/alive") == "yes")
            send(notifier, 1)
            assert notifier.wait_until_idle(20.0)
            notifier.publish_state("Rückraum", {"temperature_C": 930.5})
            assert reached(lambda: hears.last("soaktally/Rückraum/state") is not None)
            assert reached(lambda: hears.last("soaktally/Rückraum/alert") is not None)
            assert json.loads(hears.last("soaktally/Rückraum/alert") or "")["id"] == "id-1"
        with listener(running.port) as later:
            assert reached(lambda: len(later.heard) >= 2)
            assert ("soaktally/alive", "yes", True) in later.heard
            assert ("soaktally/Rückraum/state", '{"temperature_C": 930.5}', True) in later.heard
            assert later.last("soaktally/Rückraum/alert") is None, "an alert is an event, not a state"
            notifier.close()
            assert reached(lambda: later.last("soaktally/alive") == "no")


@needs_broker
def test_mqtt_survives_a_restart_of_the_broker_without_a_message_twice(tmp_path: Path) -> None:
    with broker(tmp_path) as running, listener(running.port, keeps_its_place=True) as hears:
        channel = mqtt_channel(running.port, deadline_s=0.3)
        delivered_over_a_restart(channel, running.start, running.stop)
        assert reached(lambda: len(hears.topic("soaktally/Rückraum/alert")) >= 3)
        assert [json.loads(alert)["id"] for alert in hears.topic("soaktally/Rückraum/alert")] == [
            "id-1",
            "id-2",
            "id-3",
        ]


@needs_broker
def test_when_the_process_dies_the_broker_tells_everyone(tmp_path: Path) -> None:
    with broker(tmp_path) as running, listener(running.port) as hears:
        program = (
            "import sys, time\n"
            "from logger.notify_mqtt import MqttSender\n"
            "from logger.notify_settings import MqttChannel\n"
            "MqttSender(MqttChannel(name='broker', host='127.0.0.1', port=int(sys.argv[1])))\n"
            "time.sleep(60)\n"
        )
        with subprocess.Popen([sys.executable, "-c", program, str(running.port)]) as process:
            assert reached(lambda: hears.last("soaktally/alive") == "yes")
            process.send_signal(signal.SIGKILL)
            process.wait()
            assert reached(lambda: hears.last("soaktally/alive") == "no")


@needs_broker
def test_a_broker_that_refuses_says_so_without_the_password(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    passwords = tmp_path / "passwords"
    passwords.touch()
    monkeypatch.setenv("BROKER_PASSWORD", "s3cr3t-broker")
    with broker(tmp_path, passwords) as running:
        channel = mqtt_channel(
            running.port, user="oven", password=Secret(environment="BROKER_PASSWORD"), deadline_s=1.0
        )
        (trial,) = alert_test(settings(channel))
    assert trial.reason == "127.0.0.1: the broker refuses: not authorized"


def test_a_broker_that_is_not_there_is_said_in_words() -> None:
    (trial,) = alert_test(settings(mqtt_channel(free_port(), deadline_s=0.5)))
    assert trial.reason == "127.0.0.1: the broker is not reached"


# --- push ------------------------------------------------------------------------------------------------------------


def push_channel(monkeypatch: pytest.MonkeyPatch, address: str) -> PushChannel:
    monkeypatch.setenv("PUSH_ADDRESS", address)
    return PushChannel(name="phone", address=Secret(environment="PUSH_ADDRESS"), deadline_s=20.0)


@its_own_warnings
def test_push_goes_through_the_notification_library(monkeypatch: pytest.MonkeyPatch) -> None:
    server = WebServer()
    channel = push_channel(monkeypatch, f"json://127.0.0.1:{server.port}/tok-3n1gma")
    delivered_over_a_restart(channel, server.start, server.stop)
    server.stop()
    assert [body["title"] for body in server.bodies] == ["Rückraum: Over temperature"] * 3
    assert server.bodies[0]["type"] == "failure"
    assert "1013 °C." in server.bodies[0]["message"]


@its_own_warnings
def test_what_the_library_says_is_told_without_the_token(monkeypatch: pytest.MonkeyPatch) -> None:
    with web_server() as server:
        server.status = 401
        (trial,) = alert_test(settings(push_channel(monkeypatch, f"json://127.0.0.1:{server.port}/tok-3n1gma")))
    assert not trial.delivered
    assert "401" in trial.reason
    assert "tok-3n1gma" not in trial.reason


@its_own_warnings
@pytest.mark.parametrize("address", ["nothing-like://that/tok-3n1gma", "tok-3n1gma"])
def test_an_address_the_library_does_not_know_is_one_line_without_the_token(
    monkeypatch: pytest.MonkeyPatch, address: str
) -> None:
    (trial,) = alert_test(settings(push_channel(monkeypatch, address)))
    assert trial.reason.startswith("environment variable PUSH_ADDRESS: found ")
    assert trial.reason.endswith("expected an address that the notification library knows")
    assert "tok-3n1gma" not in trial.reason


# --- sound and desktop -----------------------------------------------------------------------------------------------


def program(folder: Path, name: str, body: str) -> None:
    file = folder / name
    file.write_text("#!/bin/sh\n" + body)
    file.chmod(file.stat().st_mode | stat.S_IXUSR)


@pytest.fixture
def only_here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder that is the only one programs are found in, but for the shell's own."""
    folder = tmp_path / "programs"
    folder.mkdir()
    cat = "/bin/cat" if os.path.exists("/bin/cat") else "/usr/bin/cat"
    (folder / "cat").symlink_to(cat)
    monkeypatch.setenv("PATH", str(folder))
    return folder


def test_danger_beeps_six_times_through_the_player_the_system_has(only_here: Path, tmp_path: Path) -> None:
    program(only_here, "aplay", f'[ "$1" = -q ] || exit 9\ncat "$2" > {tmp_path}/played.wav\n')
    from logger.notify_machine import SoundSender

    SoundSender(SoundChannel(name="siren")).send(message(), 5.0)
    assert (tmp_path / "played.wav").read_bytes() == tone(6)


def test_a_tone_is_a_sound_file_of_half_a_second_for_each_beep() -> None:
    with wave.open(BytesIO(tone(3))) as sound:
        assert sound.getnframes() / sound.getframerate() == pytest.approx(1.5, abs=1e-3)


def test_a_machine_without_a_player_says_what_it_looked_for(only_here: Path) -> None:
    (trial,) = alert_test(settings(SoundChannel(name="siren")))
    assert trial.reason == "no program that plays a sound (paplay, pw-play, aplay, afplay); name one as command"


def test_a_command_of_ones_own_makes_the_sound(only_here: Path, tmp_path: Path) -> None:
    program(only_here, "horn", f'echo "$1" > {tmp_path}/blown\n')
    (trial,) = alert_test(settings(SoundChannel(name="siren", command="horn 'two times'")))
    assert trial.delivered, trial.reason
    assert (tmp_path / "blown").read_text() == "two times\n"


@pytest.mark.parametrize(
    ("body", "said"),
    [("echo 'no such device' >&2; exit 1\n", "horn: no such device"), ("exit 3\n", "horn: ends with 3")],
)
def test_a_command_that_fails_is_not_delivery(only_here: Path, body: str, said: str) -> None:
    program(only_here, "horn", body)
    (trial,) = alert_test(settings(SoundChannel(name="siren", command="horn")))
    assert trial.reason == said


def test_a_command_that_is_not_there_is_one_line(only_here: Path) -> None:
    (trial,) = alert_test(settings(SoundChannel(name="siren", command="horn")))
    assert trial.reason == "horn: [Errno 2] No such file or directory: 'horn'"


def test_the_desktop_shows_headline_and_advice(only_here: Path, tmp_path: Path) -> None:
    program(only_here, "notify-send", f'for word; do echo "$word"; done > {tmp_path}/shown\n')
    from logger.notify_machine import DesktopSender

    DesktopSender(DesktopChannel(name="desktop")).send(message(oven="--help"), 5.0)
    shown = (tmp_path / "shown").read_text().splitlines()
    assert shown[1:4] == ["--urgency=critical", "--", "--help: Over temperature"]


def test_a_machine_without_a_desktop_says_so(only_here: Path) -> None:
    (trial,) = alert_test(settings(DesktopChannel(name="desktop")))
    assert trial.reason == "no program that shows a message on the desktop (notify-send)"
