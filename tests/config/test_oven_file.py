"""An oven file becomes the settings of its ports, and every mistake in it is told at once, by line and key."""

from pathlib import Path

import pytest

from logger.alert_rules import AlertKind, Severity
from logger.controllers.settings import (
    ChannelSettings,
    ChannelUnit,
    ControllerSettings,
    FieldSource,
    Framing,
    NumberFormat,
    PortSettings,
    Quantity,
    RegisterAddress,
    RegisterSource,
    TextSettings,
    ThermocoupleInput,
)
from logger.errors import InputFault
from logger.notify_settings import (
    Heartbeat,
    MailChannel,
    MqttChannel,
    NotifySettings,
    PushChannel,
    Secret,
    WebhookChannel,
)
from logger.oven_file import OvenSettings, read_oven
from logger.thermocouple import Correction, Thermocouple, ThermocoupleType, ToleranceClass
from logger.units import DisplayUnits, kelvin_from_fahrenheit

CONFIGS = Path(__file__).parents[2] / "configs"
OVEN = '[oven]\nname = "left oven"\n'
PORT = '[[port]]\nname = "/dev/ttyUSB0"\n'
CONTROLLER = '[[port.controller]]\nname = "a"\n'
CHANNEL = '[[port.controller.channel]]\nname = "air"\nregister = 40001\n'
SOUND = OVEN + PORT + CONTROLLER + CHANNEL
A_TIME = 'a time such as 2.5, "150 min" or "2 h 30 min"'


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def oven_of(text: str) -> OvenSettings:
    Path("oven.toml").write_text(text, encoding="utf-8")
    return read_oven("oven.toml")


def faults_of(text: str) -> list[str]:
    with pytest.raises(InputFault) as refusal:
        oven_of(text)
    return str(refusal.value).splitlines()


def test_the_least_an_oven_file_can_say(folder: Path) -> None:
    air = ChannelSettings("air", RegisterSource(RegisterAddress(3, 0)))
    assert oven_of(SOUND) == OvenSettings(
        name="left oven",
        record=Path("oven.db"),
        ports=(PortSettings("/dev/ttyUSB0", controllers=(ControllerSettings("a", (air,)),)),),
        thermocouples={"air": Thermocouple()},
    )


def test_everything_about_a_port_is_read(folder: Path) -> None:
    text = """
        [oven]
        name = "both ovens"
        record = "records/both.db"
        [clock]
        speed = 200
        [[port]]
        name = "/dev/ttyUSB0"
        framing = "ascii"
        baud = 19200
        parity = "even"
        data_bits = 7
        stop_bits = 2
        settle_s = 1.5
        open_deadline = "10 s"
        [[port.controller]]
        name = "left"
        unit_address = 7
        poll_interval_s = 5
        answer_deadline_ms = 800
        slowest_answer = "2 s"
        gap_ms = 50
        tries = 3
        exact_reads = true
        [[port.controller.channel]]
        name = "left air"
        register = "0x1000"
        function = 4
        counted_from = 1
        number = "uint32"
        word_order = "low first"
        scale = 0.1
        decimal_point = 5
        break_codes = [9999, -1]
        unit = "F"
        low_F = 0
        high_C = 1300
        rate_limit_C_per_min = 300
        thermocouple = "N"
        tolerance = "class 1"
        sheathed = false
        [[port.controller.channel.correction]]
        at_F = 1000
        add_F = -3.6
        [[port.controller.channel.correction]]
        at = "1800 F"
        add_C = -4
        [[port.controller.channel]]
        name = "alarm"
        quantity = "alarm"
        register = 40004
        bit = 3
    """
    oven = oven_of(text)
    assert oven.name == "both ovens"
    assert oven.record == Path("records/both.db")
    assert oven.clock_speed == 200.0
    assert oven.display == DisplayUnits("F", "mm")
    assert [channel.name for channel in oven.channels] == ["left air", "alarm"]
    (port,) = oven.ports
    (controller,) = port.controllers
    assert (port.framing, port.baud, port.parity, port.data_bits, port.stop_bits) == (
        Framing.ASCII,
        19200,
        "even",
        7,
        2,
    )
    assert (port.settle_s, port.open_deadline_s) == (1.5, 10.0)
    assert (controller.unit_address, controller.poll_interval_s, controller.answer_deadline_s) == (7, 5.0, 0.8)
    assert (controller.slowest_answer_s, controller.gap_s) == (2.0, 0.05)
    assert (controller.tries, controller.exact_reads) == (3, True)
    air, alarm = controller.channels
    assert air == ChannelSettings(
        name="left air",
        source=RegisterSource(
            RegisterAddress(4, 0xFFF), NumberFormat.UINT32, "low first", 0.1, RegisterAddress(4, 4), None, (9999, -1)
        ),
        unit=ChannelUnit.FAHRENHEIT,
        low_K=pytest.approx(255.372222),
        high_K=1573.15,
        rate_limit_K_per_s=5.0,
    )
    assert alarm == ChannelSettings(
        "alarm", RegisterSource(RegisterAddress(3, 3), bit=3), Quantity.ALARM, ChannelUnit.NONE
    )
    assert oven.thermocouples == {
        "left air": Thermocouple(
            ThermocoupleType.N,
            ToleranceClass.IEC_CLASS_1,
            Correction((kelvin_from_fahrenheit(1000.0), kelvin_from_fahrenheit(1800.0)), (-2.0, -4.0)),
            sheathed=False,
        )
    }


def test_a_text_device_is_read_by_the_fields_of_its_pattern(folder: Path) -> None:
    text = OVEN + PORT + 'framing = "text"\n' + CONTROLLER + "[port.controller.text]\npattern = 'T=(?P<t>\\S+)'\n"
    text += 'query = "T?"\nending = "\\r"\n'
    text += '[[port.controller.channel]]\nname = "can"\nfield = "t"\ndecimal_comma = true\nbreak_texts = ["---"]\n'
    (controller,) = oven_of(text).ports[0].controllers
    assert controller.text == TextSettings(r"T=(?P<t>\S+)", query="T?", ending="\r")
    assert controller.channels[0].source == FieldSource("t", decimal_comma=True, break_texts=("---",))


def test_millivolts_take_the_temperature_of_the_terminals_from_a_channel_or_as_a_fixed_one(folder: Path) -> None:
    terminals = '[[port.controller.channel]]\nname = "terminals"\nquantity = "cold junction"\nregister = 30009\n'
    text = SOUND + 'unit = "mV"\nthermocouple = "S"\ncold_junction = "terminals"\n' + terminals
    assert oven_of(text).channels[0].thermocouple == ThermocoupleInput("S", "terminals")
    text = SOUND + 'unit = "mV"\ncold_junction_C = 25\n'
    assert oven_of(text).channels[0].thermocouple == ThermocoupleInput("K", cold_junction_K=298.15)


def test_the_form_of_a_port_says_how_it_talks_unless_the_file_does(folder: Path) -> None:
    assert oven_of(SOUND.replace("/dev/ttyUSB0", "tcp://192.0.2.17:502")).ports[0].framing is Framing.TCP
    playback = SOUND.replace("/dev/ttyUSB0", "heats/strap.csv").replace("register = 40001", 'field = "air_C"')
    (port,) = oven_of(playback).ports
    assert (port.framing, port.name) == (Framing.PLAYBACK, str(Path("heats/strap.csv")))


def test_an_offset_is_a_correction_that_is_the_same_everywhere(folder: Path) -> None:
    correction = oven_of(SOUND + "offset_F = -3.6\n").thermocouples["air"].correction
    assert correction.add_K == pytest.approx((-2.0,))


def test_views_answer_in_the_unit_most_channels_are_in_or_the_one_asked_for(folder: Path) -> None:
    assert oven_of(SOUND + 'unit = "F"\n').display == DisplayUnits("F", "mm")
    assert oven_of(SOUND + 'unit = "F"\n[display]\ntemperature = "C"\nlength = "in"\n').display == DisplayUnits(
        "C", "in"
    )


def test_who_is_told_and_how_is_read_and_secrets_stay_where_they_are_kept(folder: Path) -> None:
    text = (
        SOUND
        + """
        [[notify]]
        kind = "webhook"
        url = "http://127.0.0.1:9000/oven"
        authorization_env = "OVEN_TOKEN"
        alerts = ["near melting", "melting"]
        [[notify]]
        kind = "push"
        name = "phone"
        address_file = "/etc/soaktally/phone"
        least_severity = "warning"
        deadline_s = 20
        [[notify]]
        kind = "mail"
        host = "mail.example.org"
        port = 465
        security = "tls"
        sender = "oven@example.org"
        to = ["smith@example.org"]
        user = "oven"
        password_env = "MAIL_PASSWORD"
        second_person = true
        [[notify]]
        kind = "mqtt"
        host = "127.0.0.1"
        topic = "forge"
        [heartbeat]
        url_env = "HEARTBEAT"
        every = "5 min"
        [retry]
        first_s = 2
        longest = "10 min"
        give_up_after_h = 24
        bundle_over = 3
    """
    )
    assert oven_of(text).notify == NotifySettings(
        channels=(
            WebhookChannel(
                name="webhook",
                url="http://127.0.0.1:9000/oven",
                authorization=Secret(environment="OVEN_TOKEN"),
                alerts=(AlertKind.NEAR_MELTING, AlertKind.MELTING),
            ),
            PushChannel(
                name="phone",
                address=Secret(file="/etc/soaktally/phone"),
                least_severity=Severity.WARNING,
                deadline_s=20.0,
            ),
            MailChannel(
                name="mail",
                host="mail.example.org",
                port=465,
                security="tls",
                sender="oven@example.org",
                to=("smith@example.org",),
                user="oven",
                password=Secret(environment="MAIL_PASSWORD"),
                second_person=True,
            ),
            MqttChannel(name="mqtt", host="127.0.0.1", topic="forge"),
        ),
        heartbeat=Heartbeat(Secret(environment="HEARTBEAT"), every_s=300.0),
        retry_first_s=2.0,
        retry_longest_s=600.0,
        give_up_after_s=86400.0,
        bundle_over=3,
    )


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        (SOUND.replace('name = "left oven"\n', ""), "line 1: oven.name: found nothing, "
         "expected what this oven is called"),
        (OVEN, ": port: found nothing, expected at least one [[port]] with a [[port.controller]] on it"),
        (OVEN + PORT, "line 3: port[0].controller: found nothing, expected at least one [[port.controller]]"),
        (OVEN + PORT + CONTROLLER, "line 5: port[0].controller[0].channel: found nothing, "
         "expected at least one [[port.controller.channel]]"),
        (OVEN + "[[port]]\n" + CONTROLLER + CHANNEL, "line 3: port[0].name: found nothing, "
         "expected a serial port, or an address"),
        (SOUND.replace('name = "air"\n', ""), "line 7: port[0].controller[0].channel[0].name: found nothing, "
         "expected a name for this channel"),
        (SOUND + CHANNEL, 'line 11: port[0].controller[0].channel[1].name: found "air" a second time, '
         "expected a name of its own"),
        (OVEN + PORT + 'baud = "fast"\n' + CONTROLLER + CHANNEL, 'line 5: port[0].baud: found "fast", '
         "expected a whole number"),
        (OVEN + PORT + "baud = 9601\n" + CONTROLLER + CHANNEL, "line 5: port[0].baud: found 9601, expected 1200, 2400, "
         "4800, 9600, 14400, 19200, 28800, 38400, 57600, 76800, 115200 or 230400"),
        (OVEN + PORT + 'parity = "odds"\n' + CONTROLLER + CHANNEL, 'line 5: port[0].parity: found "odds", '
         'expected "none", "even" or "odd"'),
        (OVEN + PORT + "data_bits = 7\n" + CONTROLLER + CHANNEL, "line 5: port[0].data_bits: found 7, "
         "expected 8: rtu frames are binary"),
        (OVEN + PORT + "stop_bits = 3\n" + CONTROLLER + CHANNEL, "line 5: port[0].stop_bits: found 3, expected 1 or 2"),
        (OVEN + PORT + 'framing = "bus"\n' + CONTROLLER + CHANNEL, 'line 5: port[0].framing: found "bus", '
         'expected "rtu", "ascii", "tcp", "text" or "playback"'),
        (OVEN + PORT + 'framing = "tcp"\n' + CONTROLLER + CHANNEL, 'line 4: port[0].name: found "/dev/ttyUSB0", '
         'expected "tcp://host:port"'),
        (OVEN + PORT + "speed = 9600\n" + CONTROLLER + CHANNEL, "line 5: port[0].speed: found an unknown key, "
         "expected one of name, framing, baud, parity, data_bits, stop_bits, settle_s, open_deadline_s, controller"),
        (OVEN + PORT + CONTROLLER + "unit_address = 248\n" + CHANNEL, "line 7: port[0].controller[0].unit_address: "
         "found 248, expected 1 to 247"),
        (SOUND + '[[port.controller]]\nname = "b"\n' + CHANNEL.replace("air", "b"), "line 10: port[0].controller[1]"
         ".unit_address: found 1, as another controller on this port, expected an address of its own"),
        (OVEN + PORT + CONTROLLER + "poll_interval_s = 0\n" + CHANNEL, "line 7: port[0].controller[0].poll_interval_s: "
         "found 0 s, expected 0.1 to 600 s"),
        (OVEN + PORT + CONTROLLER + 'poll_interval_s = "often"\n' + CHANNEL,
         f'line 7: port[0].controller[0].poll_interval_s: found "often", expected {A_TIME}'),
        (OVEN + PORT + CONTROLLER + "tries = 0\n" + CHANNEL, "line 7: port[0].controller[0].tries: found 0, "
         "expected 1 to 10"),
        (SOUND.replace("register = 40001\n", ""), "line 7: port[0].controller[0].channel[0].register: found nothing, "
         "expected a register as the manual prints it, such as 40001, or a plain address together with function"),
        (SOUND.replace("40001", "50001"), "line 9: port[0].controller[0].channel[0].register: found 50001, "
         "expected a number like 40001 or 30001, or a plain address together with `function`"),
        (SOUND.replace("40001", "1.5"), "line 9: port[0].controller[0].channel[0].register: found 1.5, "
         'expected a register as the manual prints it, such as 40001, 4096 or "0x1000"'),
        (SOUND + "function = 6\n", "line 10: port[0].controller[0].channel[0].function: found 6, "
         "expected 1, 2, 3 or 4: soaktally only reads"),
        (SOUND + 'field = "air"\n', 'line 10: port[0].controller[0].channel[0].field: found "air", '
         "expected register: this port is asked for registers"),
        (SOUND + "bit = 16\n", "line 10: port[0].controller[0].channel[0].bit: found 16, expected 0 (lowest) to 15"),
        (SOUND + "scale = 0\n", "line 10: port[0].controller[0].channel[0].scale: found 0, "
         "expected what one step of the number is worth, such as 0.1"),
        (SOUND + 'break_codes = "x"\n', 'line 10: port[0].controller[0].channel[0].break_codes: found "x", '
         "expected a list"),
        (SOUND + 'break_codes = [1, "x"]\n', 'line 10: port[0].controller[0].channel[0].break_codes[1]: found "x", '
         "expected a whole number"),
        (SOUND + 'unit = "%"\n', 'line 10: port[0].controller[0].channel[0].unit: found "%" for temperature, '
         'expected "C", "F", "K", "mV" or "uV"'),
        (SOUND + 'unit = "mV"\n', "line 7: port[0].controller[0].channel[0].cold_junction: found nothing, "
         'expected the temperature of the terminals: cold_junction = "a channel", or cold_junction_C = 25'),
        (SOUND + 'unit = "mV"\ncold_junction = "x"\n', 'line 11: port[0].controller[0].channel[0].cold_junction: '
         'found "x", expected a channel of this controller with quantity = "cold junction"'),
        (SOUND + "low_C = 1400\n", "line 10: port[0].controller[0].channel[0].low_C: found low not below high, "
         "expected low below high"),
        (SOUND + 'tolerance = "class 3"\n', 'line 10: port[0].controller[0].channel[0].tolerance: found "class 3", '
         'expected "standard", "special", "class 1" or "class 2"'),
        (SOUND + 'thermocouple = "B"\ntolerance = "class 2"\n', 'line 11: port[0].controller[0].channel[0].tolerance: '
         'found "class 2", expected none: the classes of type B are not known here'),
        (SOUND + "[[port.controller.channel.correction]]\nat_C = 900\n", "line 10: port[0].controller[0].channel[0]"
         ".correction[0].add_C: found nothing, expected what to add to the reading, such as add_C = -1.5"),
        (SOUND + "[[port.controller.channel.correction]]\nat_C = 900\nadd_C = 1\n" * 2, "line 14: port[0].controller[0]"
         ".channel[0].correction[1].at_C: found a reading not above the one before, expected readings that increase"),
        (OVEN + PORT + 'framing = "text"\n' + CONTROLLER + CHANNEL.replace("register = 40001", 'field = "t"'),
         "line 6: port[0].controller[0].text.pattern: found nothing, "
         "expected a regular expression that matches a whole line, such as 'T1=(?P<T1>\\S+)'"),
        (OVEN + PORT + 'framing = "text"\n' + CONTROLLER + "text.pattern = '('\n"
         + CHANNEL.replace("register = 40001", 'field = "t"'),
         'line 8: port[0].controller[0].text.pattern: found "(", expected a regular expression'),
        (OVEN + PORT + 'framing = "text"\n' + CONTROLLER + "text.pattern = '(?P<u>.)'\n"
         + CHANNEL.replace("register = 40001", 'field = "t"'),
         'line 11: port[0].controller[0].channel[0].field: found "t", expected "u"'),
        (OVEN + PORT + 'framing = "text"\n' + CONTROLLER + "text.pattern = '(?P<t>.)'\ntext.query = \"SET 900\"\n"
         + CHANNEL.replace("register = 40001", 'field = "t"'),
         'line 9: port[0].controller[0].text.query: found "SET 900", '
         "expected a question: plain text without = or :, and no command word"),
        (OVEN + PORT + 'framing = "text"\n' + CONTROLLER + "text.pattern = '.'\n"
         + CHANNEL.replace("register = 40001", 'field = "t"'),
         'line 8: port[0].controller[0].text.pattern: found ".", '
         "expected a named group for each field, such as (?P<T1>\\S+)"),
        (OVEN + PORT + 'framing = "text"\n' + CONTROLLER + "text.pattern = '(?P<t>.)'\ntext.encoding = 'x'\n"
         + CHANNEL.replace("register = 40001", 'field = "t"'),
         'line 9: port[0].controller[0].text.encoding: found "x", expected an encoding such as "ascii" or "utf-8"'),
        (OVEN + PORT + 'framing = "text"\n' + CONTROLLER + "text.pattern = '(?P<t>.)'\ntext.ending = ''\n"
         + CHANNEL.replace("register = 40001", 'field = "t"'),
         'line 9: port[0].controller[0].text.ending: found "", expected what ends each line, such as "\\n"'),
        (OVEN + PORT + 'framing = "text"\n' + CONTROLLER + "text.pattern = '(?P<t>.)'\ntext.agree_K = 0\n"
         + CHANNEL.replace("register = 40001", 'field = "t"'),
         "line 9: port[0].controller[0].text.agree_K: found 0 K, expected more than 0, up to 100 K"),
        (OVEN + PORT + 'framing = "text"\n' + CONTROLLER + "text.pattern = '(?P<t>.)'\n" + CHANNEL + 'field = "t"\n',
         "line 11: port[0].controller[0].channel[0].register: found 40001, "
         "expected field: this port has no registers"),
        (OVEN + PORT + CONTROLLER + "text.pattern = '.'\n" + CHANNEL,
         'line 7: port[0].controller[0].text: found a table for a port that talks "rtu", '
         'expected none, or framing = "text"'),
        (SOUND.replace("/dev/ttyUSB0", "strap.csv").replace("register = 40001\n", ""),
         "line 7: port[0].controller[0].channel[0].field: found nothing, "
         'expected a column of the file, such as field = "air_C"'),
        (SOUND.replace("/dev/ttyUSB0", "tcp://192.0.2.17:502").replace('502"\n', '502"\nframing = "rtu"\n'),
         'line 5: port[0].framing: found "rtu" on a tcp:// port, expected "tcp"'),
        (OVEN + PORT + "data_bits = 9\n" + CONTROLLER + CHANNEL, "line 5: port[0].data_bits: found 9, expected 7 or 8"),
        (OVEN + PORT + CONTROLLER + "poll_intervall_s = 2\n" + CHANNEL,
         "line 7: port[0].controller[0].poll_intervall_s: found an unknown key, expected poll_interval_s"),
        (SOUND + "counted_from = 2\n", "line 10: port[0].controller[0].channel[0].counted_from: found 2, "
         "expected 0 or 1"),
        (SOUND + "rate_limit_K_per_s = 0\n", "line 10: port[0].controller[0].channel[0].rate_limit_K_per_s: "
         "found 0 K/s, expected more than 0"),
        (SOUND + 'unit = "mV"\ncold_junction = "x"\ncold_junction_C = 25\n' + CHANNEL.replace("air", "x")
         + 'quantity = "cold junction"\n', "line 11: port[0].controller[0].channel[0].cold_junction: "
         "found a channel and a fixed temperature, expected the temperature of the terminals: "
         'cold_junction = "a channel", or cold_junction_C = 25'),
        (SOUND + "offset_C = 1\n[[port.controller.channel.correction]]\nat_C = 900\nadd_C = 1\n",
         "line 10: port[0].controller[0].channel[0].offset_C: found an offset and a correction table, "
         "expected one of them"),
        (SOUND + "[[port.controller.channel.correction]]\nadd_C = 1\n", "line 10: port[0].controller[0].channel[0]"
         ".correction[0].at_C: found nothing, expected the reading it was found at, such as at_C = 900.0"),
        (SOUND + '[[notify]]\nkind = "mqtt"\nhost = "h"\nport = 0\n', "line 13: notify[0].port: found 0, "
         "expected 1 to 65535"),
        (SOUND + '[[notify]]\nkind = "mail"\nhost = "h"\nsender = "a@b"\nto = []\n', "line 14: notify[0].to: "
         "found an empty list, expected at least one mail address"),
        (SOUND + '[[notify]]\nkind = "push"\n', "line 10: notify[0].address_env: found nothing, "
         "expected address_env or address_file: where the address, which is a secret, is kept"),
        (SOUND + "[retry]\nbundle_over = 0\n", "line 11: retry.bundle_over: found 0, "
         "expected 1 or more waiting messages"),
        (SOUND + "[clock]\nspeed = 0\n", "line 11: clock.speed: found 0, expected more than 0, up to 100000; "
         "1 is real time"),
        (SOUND + '[[notify]]\nkind = "pigeon"\n', 'line 11: notify[0].kind: found "pigeon", '
         'expected "terminal", "webhook", "push", "mail", "mqtt", "sound" or "desktop"'),
        (SOUND + "[[notify]]\nname = 'x'\n", "line 10: notify[0].kind: found nothing, "
         'expected "terminal", "webhook", "push", "mail", "mqtt", "sound" or "desktop"'),
        (SOUND + '[[notify]]\nkind = "webhook"\n', "line 10: notify[0].url: found nothing, "
         'expected an address such as "http://192.0.2.5:8080/oven", or url_env or url_file'),
        (SOUND + '[[notify]]\nkind = "webhook"\nurl = "secret-token"\n', "line 12: notify[0].url: "
         "found an address of another kind, expected one that begins with http:// or https://"),
        (SOUND + '[[notify]]\nkind = "webhook"\nurl_env = "A"\nurl_file = "b"\n', "line 13: notify[0].url_file: "
         "found url_env and url_file together, expected one of them"),
        (SOUND + '[[notify]]\nkind = "sound"\nhost = "x"\n', "line 12: notify[0].host: "
         "found a key that sound does not take, "
         "expected one of alerts, command, deadline_s, kind, least_severity, name, second_person"),
        (SOUND + '[[notify]]\nkind = "mail"\nhost = "h"\nsender = "me"\nto = ["a@b"]\n', "line 13: notify[0].sender: "
         'found "me", expected a mail address such as name@example.org'),
        (SOUND + '[[notify]]\nkind = "sound"\nalerts = ["fire"]\n', 'line 12: notify[0].alerts[0]: found "fire", '
         "expected " + ", ".join(f'"{kind}"' for kind in list(AlertKind)[:-1]) + f' or "{list(AlertKind)[-1]}"'),
        (SOUND + '[[notify]]\nkind = "sound"\n' * 2, 'line 12: notify[1].name: found "sound" a second time, '
         "expected a name of its own"),
        (SOUND + "[heartbeat]\nevery_s = 60\n", "line 10: heartbeat.url: found nothing, "
         "expected an address, or url_env or url_file"),
        (SOUND + "[retry]\nfirst_s = 0\n", "line 11: retry.first_s: found 0 s, expected 0.1 to 3600 s"),
    ],
)  # fmt: skip
def test_each_mistake_in_an_oven_file_is_one_clear_line(folder: Path, text: str, fault: str) -> None:
    assert faults_of(text) == [f"oven.toml{fault}" if fault.startswith(":") else f"oven.toml, {fault}"]


def test_every_bad_value_in_a_list_is_told_with_its_position(folder: Path) -> None:
    assert [
        fault.partition("[0].break_codes")[2] for fault in faults_of(SOUND + 'break_codes = ["x", 1, "y", 2.5]\n')
    ] == [
        '[0]: found "x", expected a whole number',
        '[2]: found "y", expected a whole number',
        "[3]: found 2.5, expected a whole number",
    ]


def test_mistakes_of_every_kind_are_told_at_once(folder: Path) -> None:
    text = SOUND.replace("40001", "50001").replace("/dev/ttyUSB0", "tcp://nowhere") + "function = 6\nbogus = 1\n"
    text += 'low_C = "x"\n[clock]\nspeed = -1\n[[notify]]\nkind = "mail"\n'
    assert [fault.split(": found")[0] for fault in faults_of(text)] == [
        "oven.toml, line 4: port[0].name",
        "oven.toml, line 10: port[0].controller[0].channel[0].function",
        "oven.toml, line 11: port[0].controller[0].channel[0].bogus",
        "oven.toml, line 12: port[0].controller[0].channel[0].low_C",
        "oven.toml, line 14: clock.speed",
        "oven.toml, line 15: notify[0].host",
        "oven.toml, line 15: notify[0].sender",
        "oven.toml, line 15: notify[0].to",
    ]


@pytest.mark.parametrize(
    "path",
    [path for path in sorted(CONFIGS.glob("*.toml")) if "[oven]" in path.read_text()],
    ids=lambda path: path.name,
)
def test_every_oven_file_in_configs_is_sound(path: Path) -> None:
    oven = read_oven(path)
    assert oven.channels
    assert oven.record.parent == CONFIGS
