"""Where the page listens, who may reach it, and that it goes when it is told to."""

import json
import signal
import socket
import stat
import subprocess
import sys
import threading
import urllib.request
from pathlib import Path

import pytest
from click.testing import CliRunner

from logger.board import Board
from logger.command import main
from logger.errors import InputFault, OutsideFault
from logger.page.access import Role, read_passwords
from logger.page.server import DEFAULT_PORT, Page, PageSettings, serving
from tests.page.workshop import OVEN, make_workshop
from tests.whole.loopback import reached
from tests.whole.served import oven_file


@pytest.mark.parametrize(
    ("words", "host", "port"),
    [
        ("8500", "127.0.0.1", 8500),
        (":8500", "127.0.0.1", 8500),
        ("127.0.0.1:8500", "127.0.0.1", 8500),
        ("0.0.0.0", "0.0.0.0", DEFAULT_PORT),
        ("192.168.1.20:80", "192.168.1.20", 80),
        ("forge.local", "forge.local", DEFAULT_PORT),
        ("forge.local:8500", "forge.local", 8500),
        ("[::1]:8500", "::1", 8500),
        ("[::]", "::", DEFAULT_PORT),
    ],
)
def test_an_address_is_read_as_it_is_meant(words: str, host: str, port: int) -> None:
    settings = PageSettings.of_words(words)
    assert (settings.host, settings.port) == (host, port)


@pytest.mark.parametrize("words", ["", "  ", "127.0.0.1:", "a:b:c", "127.0.0.1:99999", "host:eighty", "http://x:1"])
def test_what_is_no_address_is_refused(words: str) -> None:
    with pytest.raises(InputFault, match="HOST:PORT"):
        PageSettings.of_words(words)


@pytest.mark.parametrize("host", ["0.0.0.0", "192.168.1.20", "::", "forge.local"])
def test_open_to_the_network_it_needs_a_password(host: str) -> None:
    with pytest.raises(InputFault, match="without a password"):
        Page(PageSettings(host, 0), Board(), {})


@pytest.mark.parametrize("host", ["127.0.0.1", "localhost", "127.0.0.2"])
def test_for_this_machine_alone_it_needs_none(host: str) -> None:
    with serving(PageSettings(host, 0), Board(), {}) as page:
        assert page is not None
        assert page.address.startswith(f"http://{host}:")


def test_unless_told_otherwise_only_this_machine_reaches_it() -> None:
    assert PageSettings().loopback_only


def test_a_port_that_is_taken_is_told_with_what_to_do() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(OutsideFault, match=f"127.0.0.1:{port}.*--page HOST:PORT"):
            Page(PageSettings(port=port), Board(), {})


def test_it_ends_at_once_although_a_page_is_open(tmp_path: Path) -> None:
    workshop = make_workshop(tmp_path)
    heard = threading.Event()
    over = threading.Event()

    def listen(address: str) -> None:
        with urllib.request.urlopen(f"{address}api/events", timeout=60.0) as stream:
            for line in stream:
                if line.startswith(b"event: whole"):
                    heard.set()
        over.set()

    with serving(PageSettings(port=0), workshop.board, {OVEN: workshop.record}) as page:
        assert page is not None
        threading.Thread(target=listen, args=(page.address,), daemon=True).start()
        assert heard.wait(60.0)
    assert over.wait(30.0), "the stream was left hanging"
    assert not [thread for thread in threading.enumerate() if thread.name == "page"]


def test_the_password_is_set_by_command_and_never_written_down(tmp_path: Path) -> None:
    file = tmp_path / "passwords"
    runner = CliRunner()
    said = runner.invoke(main, ["page-password", str(file)], input="charcoal and shell\ncharcoal and shell\n")
    assert said.exit_code == 0
    said = runner.invoke(main, ["page-password", str(file), "--guest", "--password", "only to look"])
    assert said.exit_code == 0
    kept = read_passwords(file)
    assert kept.role_of("charcoal and shell") is Role.OWNER
    assert kept.role_of("only to look") is Role.GUEST
    assert stat.S_IMODE(file.stat().st_mode) == 0o600
    assert "charcoal and shell" not in said.output
    said = runner.invoke(main, ["page-password", str(file), "--password", "short"])
    assert said.exit_code == 2


def test_a_watch_opened_to_the_network_without_a_password_does_not_begin(tmp_path: Path) -> None:
    oven, sheet = oven_file(tmp_path, "x", "/dev/none", record="x.db"), tmp_path / "sheet.toml"
    sheet.write_text('[piece]\nshape = "plate"\nthickness_mm = 6\ncarbon_wt_pct = 0.1\n', encoding="utf-8")
    for words in (["serve", str(oven)], ["watch", str(oven), "--sheet", str(sheet)]):
        said = CliRunner().invoke(main, [*words, "--page", "0.0.0.0:0"])
        assert said.exit_code == 2
        assert "without a password" in said.output
    assert not (tmp_path / "x.db").exists()


def test_the_demonstration_says_where_its_page_is_and_serves_it(tmp_path: Path) -> None:
    words = ["demo", "--folder", str(tmp_path / "run"), "--page", "127.0.0.1:0", "--speed", "60"]
    process = subprocess.Popen([sys.executable, "-m", "logger", *words], stdout=subprocess.PIPE, text=True)
    try:
        assert process.stdout is not None
        line = next(line for line in process.stdout if line.startswith("Live page: "))
        address = line.removeprefix("Live page: ").strip()
        said: dict[str, str] = {}

        def is_up() -> bool:
            with urllib.request.urlopen(f"{address}api/ovens", timeout=30.0) as answer:
                ovens = json.load(answer)["ovens"]
            said.update(ovens[0] if ovens else {})
            return "Steel about" in said.get("headline", "")

        assert reached(is_up)
        assert said["oven"] == "demo oven"
        with urllib.request.urlopen(address, timeout=30.0) as screen:
            assert b"Plane-iron straps" in screen.read()
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=120.0)
        assert process.returncode == 0
    finally:
        process.kill()
        process.wait()
