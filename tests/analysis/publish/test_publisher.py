"""The publisher: what is configured runs, what fails is told once and holds up nothing else."""

import threading

import pytest

from analysis.publish import publisher
from analysis.publish.facts import gather, number
from analysis.publish.publisher import keep_sending
from analysis.publish.settings import publishing
from logger.config import load_config
from logger.errors import ConfigError
from logger.system.snapshot import snapshot_path
from tests.support.outward import DOCUMENT, facts, write

CHARGER = "[charger]\nlabel = 'aft locker'\nrated_w = 110\n"


def configured(folder, text):
    path = folder / "ebbwatt.toml"
    path.write_text(CHARGER + text)
    return load_config(path)


class Flaky:
    """A target that fails for some rounds."""

    name = "flaky"

    def __init__(self, fails):
        self.fails, self.rounds, self.closed = fails, 0, False

    def send(self, _facts):
        self.rounds += 1
        if self.rounds in self.fails:
            raise OSError("no room")

    def close(self):
        self.closed = True


class Clock:
    """Stands in for the event: counts what is waited for, and never sets."""

    def __init__(self):
        self.waits = []

    def is_set(self):
        return False

    def wait(self, seconds):
        self.waits.append(seconds)


def test_waits_grow_to_their_longest_and_shrink_again(caplog):
    target, clock = Flaky(set(range(2, 12))), Clock()
    keep_sending(target, 10.0, facts, clock, rounds=15)
    assert clock.waits == [10, 20, 40, 80, 160, 320, 600, 600, 600, 600, 600, 10, 10, 10]
    assert target.closed
    told = [r.getMessage() for r in caplog.records]
    assert told == ["flaky: no room; trying again", "flaky: goes on"]


def test_a_target_that_fails_every_second_time_is_told_once(caplog):
    # So do datagrams to a socket where nobody listens.
    keep_sending(Flaky(set(range(2, 40, 2))), 10.0, facts, Clock(), rounds=40)
    assert [r.getMessage() for r in caplog.records] == ["flaky: no room; trying again"]


def test_a_target_that_hangs_holds_up_no_other(tmp_path, monkeypatch):
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))
    config = configured(tmp_path, "[publish.textfile]\npath = 'a.prom'\n")
    hang = threading.Event()

    class Hangs(Flaky):
        def send(self, _facts):
            hang.wait()

    normal = publisher.targets
    monkeypatch.setattr(publisher, "targets", lambda *a: [(Hangs(set()), 1.0), *normal(*a)])
    monkeypatch.setattr(publisher, "END_S", 0.1)
    stop = threading.Event()
    runner = threading.Thread(
        target=publisher.run, args=(config, publishing(config), stop), daemon=True
    )
    runner.start()
    for _ in range(600):
        if (tmp_path / "a.prom").exists():
            break
        stop.wait(0.1)
    assert "ebbwatt_up" in (tmp_path / "a.prom").read_text()
    stop.set()
    runner.join(60)
    assert not runner.is_alive()
    hang.set()


def test_only_a_fresh_live_snapshot_speaks_for_now(tmp_path, monkeypatch):
    monkeypatch.setenv("RUNTIME_DIRECTORY", str(tmp_path / "run"))
    path = snapshot_path(tmp_path / "ebbwatt.db")

    def live(**changes):
        write(path, **changes)
        return gather("x", path, tmp_path / "none.json").live

    assert gather("x", path, tmp_path / "none.json").snapshot is None
    assert live()
    assert not live(link="waiting")
    assert not live(boot_id="another boot")
    from logger.system.snapshot import boottime_s

    assert not live(boottime_s=boottime_s() - 60.0)


@pytest.mark.parametrize(
    "content", [b"", b"{", b"[]", b'{"schema": "other/1"}', b"\xff\xfe", b"[" * 100_000]
)
def test_a_document_that_is_none_is_left_out(tmp_path, content):
    path = tmp_path / "assessment.json"
    path.write_bytes(content)
    assert gather("x", tmp_path / "none", path).document is None


def test_numbers_of_a_strange_document_are_none():
    assert number(DOCUMENT, "output", "fraction") == 0.64077
    for strange in ({"output": 3}, {"output": {"fraction": "0.6"}}, {"output": {"fraction": True}}):
        assert number(strange, "output", "fraction") is None


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "nothing is to be published"),
        ("[publish]\nevery_s = 5\n", "nothing is to be published"),
        ("[publish.textfile]\npath = 'a.txt'\n", "line 5: publish.textfile.path.*ends in .prom"),
        ("[publish.textfil]\npath = 'a.prom'\n", "did you mean textfile"),
        ("[publish]\nid = 'Aft locker'\n[publish.signalk]\n", "line 5: publish.id.*lower-case"),
        (
            "[publish.mqtt]\nhost = 'b.example'\n",
            "line 5: publish.mqtt.host.*not this machine",
        ),
        ("[publish.mqtt]\nca_file = 'none.pem'\n", "there is no such file"),
        ("[publish.signalk]\nto = 'tpc'\n", "did you mean tcp"),
        ("[publish.page]\n", "folder is missing"),
    ],
)
def test_a_wrong_section_is_answered_with_line_key_and_what_is_accepted(tmp_path, text, said):
    with pytest.raises(ConfigError, match=said):
        publishing(configured(tmp_path, text))


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o660])
def test_a_secret_that_others_may_read_is_refused_unread(tmp_path, mode):
    secret = tmp_path / "secret"
    secret.write_text("boat:hush\n")
    secret.chmod(mode)
    with pytest.raises(ConfigError, match="chmod 600") as error:
        publishing(configured(tmp_path, "[publish.mqtt]\ncredentials_file = 'secret'\n"))
    assert "hush" not in str(error.value)


def test_a_secret_is_no_link_and_has_its_form(tmp_path):
    secret = tmp_path / "secret"
    secret.write_text("hush\n")
    secret.chmod(0o600)
    config = configured(tmp_path, "[publish.mqtt]\ncredentials_file = 'secret'\n")
    with pytest.raises(ConfigError, match="one line, name:password") as error:
        publishing(config)
    assert "hush" not in str(error.value)
    secret.write_text("boat:hush:and:more\n")
    found = publishing(config).mqtt
    assert (found.user, found.password) == ("boat", "hush:and:more")
    assert "hush" not in repr(found)
    (tmp_path / "link").symlink_to(secret)
    linked = configured(tmp_path, "[publish.mqtt]\ncredentials_file = 'link'\n")
    with pytest.raises(ConfigError, match="cannot be read"):
        publishing(linked)
