"""One message out: by a command, by the notification library, and what is never said of either."""

from __future__ import annotations

import json
import os
import stat
import sys
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

import pytest
from watched import Running

from harness import alarm_process, alarm_send, alarms
from harness.alarm_file import Alarm, load_alarms
from harness.alarm_judge import Message
from harness.alarm_process import Log, Sender, send_tests
from harness.alarm_send import NotSent, send
from harness.clock import VirtualClock, WallClock
from harness.config import load_bench
from harness.errors import PreflightRefused, Usage
from harness.starters import starter_text

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")  # of the notification library's own imports

SECRET = "tok-5e5e5e5e"
TRIP = Message("trip", "TRIPPED: porch", "low volts: 9.1 V", loud=True)
END = Message("end", "ended: porch", "all well")


def python(code: str, *words: str) -> tuple[str, ...]:
    return (sys.executable, "-I", "-S", "-c", code, *words)


def written(place: Path, text: str, *, mode: int = 0o600) -> Path:
    file = place / "nightbench" / "alarms.toml"
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text, encoding="utf-8")
    file.chmod(mode)
    return file


@pytest.fixture(name="own")
def _own(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The person's own folder of settings."""
    monkeypatch.setenv("XDG_CONFIG_HOME", str(tmp_path / "own"))
    monkeypatch.setattr(alarms, "_took_it", {})
    return tmp_path / "own"


@pytest.fixture(name="server")
def _server() -> Iterator[tuple[str, list[dict[str, Any]]]]:
    got: list[dict[str, Any]] = []

    class Takes(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            got.append(json.loads(self.rfile.read(int(self.headers["content-length"]))))
            self.send_response(500 if "refuse" in self.path else 200)
            self.end_headers()

        def log_message(self, *_words: object) -> None: ...

    server = HTTPServer(("127.0.0.1", 0), Takes)
    thread = threading.Thread(target=server.serve_forever, args=(0.02,), daemon=True)
    thread.start()
    yield f"127.0.0.1:{server.server_port}", got
    server.shutdown()
    server.server_close()
    thread.join()


# -- the file ----------------------------------------------------------------------------------------------------------


def test_the_file_as_it_should_be(own: Path) -> None:
    written(own, '[phone]\nurls = ["json://127.0.0.1"]\n[siren]\ncommand = ["beep", "-n"]\nwhen = ["trip"]\n')
    phone, siren = load_alarms(("phone", "siren"))
    assert (phone.urls, siren.command, siren.when) == (("json://127.0.0.1",), ("beep", "-n"), ("trip",))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[other]\ncommand = ['x']", "no table"),
        ("[phone]", "one of urls and command"),
        (f"[phone]\nurls = ['json://{SECRET}']\ncommand = ['x']", "one of urls and command"),
        (f"[phone]\nurls = 'json://{SECRET}'", "not a list of words"),
        (f"[phone]\nurls = [['json://{SECRET}']]", "not a list of words"),
        ("[phone]\ncommand = ['a', '']", "not a list of words"),
        ("[phone]\ncommand = ['x']\nwhen = ['never']", "never is not known"),
        (f"[phone]\nurls = ['json://{SECRET}' 'x']", "alarms.toml"),
        (f"[phone]\nurl = ['json://{SECRET}']", "no such key"),
    ],
)
def test_a_wrong_file_is_one_line_without_the_secret(own: Path, text: str, words: str) -> None:
    written(own, text)
    with pytest.raises(Usage, match=words) as refused:
        load_alarms(("phone",))
    assert SECRET not in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o666, 0o620])
def test_a_file_that_others_can_reach_is_refused(own: Path, mode: int) -> None:
    written(own, "[phone]\ncommand = ['x']", mode=mode)
    with pytest.raises(Usage, match="chmod 600"):
        load_alarms(("phone",))


def test_none_there(own: Path) -> None:
    assert load_alarms(()) == ()
    with pytest.raises(Usage, match=r"is not there; write it with a table \[phone\]"):
        load_alarms(("phone",))


@pytest.mark.parametrize("value", [f'"json://{SECRET}"', f'["json://{SECRET}"]', "[1]", "true", '["-x"]', '[""]'])
def test_an_address_in_the_bench_file_is_refused_and_not_shown(tmp_path: Path, value: str) -> None:
    file = tmp_path / "bench.toml"
    file.write_text(f"alarms = {value}\n{starter_text('bench')}", encoding="utf-8")
    with pytest.raises(Usage, match="not a list of names of tables") as refused:
        load_bench(file)
    assert SECRET not in str(refused.value)


# -- a command ---------------------------------------------------------------------------------------------------------


def test_a_command_gets_the_words_on_its_input(tmp_path: Path) -> None:
    place = tmp_path / "said"
    code = "import os,sys; open(sys.argv[1],'w').write(os.environ['NIGHTBENCH_WHAT']+'|'+sys.stdin.read())"
    send(Alarm("a", command=python(code, str(place))), TRIP)
    assert place.read_text() == "trip|TRIPPED: porch\nlow volts: 9.1 V\n"


@pytest.mark.parametrize(
    ("command", "words"),
    [
        (("/no/such/program",), "cannot be started"),
        (("/",), "cannot be started"),
        (python("raise SystemExit(3)"), "ended with 3"),
        (
            python("import sys; sys.stdin.close(); sys.stderr.write('x' * 5_000_000); raise SystemExit(1)"),
            "ended with 1",
        ),
        (python("import sys; print('y' * 5_000_000); raise SystemExit(2)"), "ended with 2"),
        (python("import os; os.kill(os.getpid(), 9)"), "ended with -9"),
    ],
)
def test_a_command_that_fails(command: tuple[str, ...], words: str) -> None:
    with pytest.raises(NotSent, match=words) as failed:
        send(Alarm("a", command=command), TRIP)
    assert len(str(failed.value)) < 300


def test_a_command_that_hangs_is_killed_with_what_it_started(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(alarm_send, "COMMAND_MOST_S", 0.3)
    place = tmp_path / "pid"
    code = (
        "import os,subprocess,sys; c=subprocess.Popen([sys.executable,'-I','-S','-c','import signal; signal.pause()']);"
        "open(sys.argv[1],'w').write(str(c.pid)); c.wait()"
    )
    with pytest.raises(NotSent, match=r"not over after 0\.3 s"):
        send(Alarm("a", command=python(code, str(place))), TRIP)
    if place.exists():  # else it was killed before it could start anything
        # Killed is killed, but the kernel takes its time to take it away on a busy machine.
        pid, clock = place.read_text(), WallClock()
        clock.sleep_until(10.0, stop=lambda: is_over(pid))
        assert is_over(pid)


def is_over(pid: str) -> bool:
    """Whether that process has ended; its state stands behind its name (proc(5))."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] in "ZX"
    except OSError:
        return True


# -- the notification library ------------------------------------------------------------------------------------------


def test_an_address_gets_the_message(server: tuple[str, list[dict[str, Any]]]) -> None:
    where, got = server
    send(Alarm("a", urls=(f"json://{where}/?token={SECRET}",)), TRIP)
    (told,) = got
    assert (told["title"], told["message"], told["type"]) == ("TRIPPED: porch", "low volts: 9.1 V", "failure")


@pytest.mark.parametrize("url", ["json://{}/refuse", "json://127.0.0.1:1/", "nonsense://" + SECRET, SECRET, "json://"])
def test_an_address_that_does_not_take_it(server: tuple[str, list[dict[str, Any]]], url: str) -> None:
    with pytest.raises(NotSent) as failed:
        send(Alarm("a", urls=(url.format(server[0]) + f"?x={SECRET}",)), TRIP)
    assert SECRET not in str(failed.value)


# -- the process beside a run ------------------------------------------------------------------------------------------


def test_one_that_fails_is_tried_again_and_noted(tmp_path: Path) -> None:
    tries: list[str] = []

    def fails(alarm: Alarm, message: Message) -> None:
        tries.append(alarm.name)
        if alarm.name == "bad":
            raise NotSent("nobody there")

    log = tmp_path / "alarms.log"
    sender = Sender(
        [Alarm("bad", urls=(SECRET,)), Alarm("good"), Alarm("quiet", when=("trip",))],
        log=Log(log), clock=VirtualClock(), by=fails,
    )  # fmt: skip
    sender.tell(END)
    sender.finish()
    assert sorted(tries) == ["bad"] * len(alarm_process.TRIES_AFTER_S) + ["good"]
    lines = [json.loads(line) for line in log.read_text().splitlines()]
    assert sorted((one["alarm"], one["sent"]) for one in lines) == [("bad", False)] * 4 + [("good", True)]
    assert SECRET not in log.read_text()


def test_what_must_be_acted_on_is_told_whatever_was_asked_for() -> None:
    told: list[str] = []
    sender = Sender(
        [Alarm("a", when=("end",))], log=Log(None), clock=VirtualClock(), by=lambda _a, m: told.append(m.kind)
    )
    for message in (TRIP, END, Message("near", "x", "y")):
        sender.tell(message)
        sender.finish()
    assert told == ["trip", "end"]


def test_watching_a_run_to_its_end(tmp_path: Path) -> None:
    run, told = Running(tmp_path), []
    run.goes_on(3)
    run.ends()
    alarm_process.watch(
        run.folder, [Alarm("a")], log=Log(None), clock=VirtualClock(), by=lambda _a, m: told.append(m.title)
    )
    assert told == [f"SIMULATED: ended, finished: {run.folder.name}"]


def test_a_log_that_cannot_be_written_disturbs_nobody(tmp_path: Path) -> None:
    Log(tmp_path / "no" / "such").write(what="x")
    assert send_tests([Alarm("a")], "x", by=lambda _a, _m: None) == []


def test_a_test_message_by_its_own_process(own: Path, tmp_path: Path) -> None:
    said = tmp_path / "said"
    code = "import sys; open(sys.argv[1],'a').write(sys.stdin.read())"
    words = ", ".join(json.dumps(word) for word in python(code, str(said)))
    bad = ", ".join(json.dumps(word) for word in python("raise SystemExit(4)", SECRET))
    written(own, f"[good]\ncommand = [{words}]\n[bad]\ncommand = [{bad}]\n")
    notes: list[str] = []
    alarms.try_before(("good",), "porch", unattended=True, say=notes.append)
    alarms.try_before(("good",), "porch", unattended=True, say=notes.append)  # one message does for the evening
    assert said.read_text().count("TEST, all is well: porch") == 1
    alarms.try_before(("bad",), "porch", unattended=False, say=notes.append)
    assert notes == ["note: alarms: alarm bad: not sent: its command ended with 4"]
    with pytest.raises(PreflightRefused, match=r"alarm bad: not sent.*nothing was switched on") as refused:
        alarms.try_before(("bad", "good"), "porch", unattended=True, say=notes.append)
    assert SECRET not in str(refused.value)


def test_one_that_is_not_there_refuses_only_a_night(own: Path) -> None:
    notes: list[str] = []
    alarms.try_before(("phone",), "porch", unattended=False, say=notes.append)
    alarms.start(("phone",), own, say=notes.append)
    assert len(notes) == 2
    with pytest.raises(PreflightRefused, match="is not there"):
        alarms.try_before(("phone",), "porch", unattended=True, say=notes.append)


def test_checks_and_plan_say_which(own: Path) -> None:
    assert list(alarms.alarm_checks((), unattended=True)) == []
    assert "nobody is told" in alarms.alarm_line(())
    for alone, word in ((True, "refused"), (False, "note")):
        (check,) = alarms.alarm_checks(("phone",), unattended=alone)
        assert check.word == word
    written(own, f'[phone]\nurls = ["json://{SECRET}"]\n')
    (check,) = alarms.alarm_checks(("phone",), unattended=True)
    assert check.word == "good"
    assert SECRET not in check.text
    assert stat.S_IMODE(os.stat(own / "nightbench" / "alarms.toml").st_mode) == 0o600
