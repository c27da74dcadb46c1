"""A bad day: each fault gives a message that says what, where, expected and next; nothing stops that need not, nothing is lost."""

import socket
import time
from pathlib import Path

import pytest

from holdwater.control import ask
from holdwater.store.reader import open_reader
from place import START_MS, Daemon, payload, pressure, publisher, run_command, text_of

pytestmark = pytest.mark.slow


def now_payload(depth_m: float, **labels: int) -> str:
    return payload(("pressure", "Pa", pressure(depth_m)), ("air", "Cel", 15.0), t_s=time.time(), **labels)


def stored(folder: Path, most_s: float = 10.0, least: int = 1) -> list[float]:
    """Values of a:pressure once there are so many."""
    end = time.monotonic() + most_s
    while True:
        with open_reader(folder) as reader:
            values = [row.value for row in reader.readings("a:pressure", 0, START_MS * 2)]
        if len(values) >= least or time.monotonic() > end:
            return values
        time.sleep(0.05)


def test_without_a_broker_the_service_runs_says_so_and_takes_up_the_broker_when_it_comes(
    make_daemon, make_broker, tmp_path
) -> None:
    """It works alone; the broker's absence costs readings, not the service."""
    broker = make_broker()
    broker.stop()
    daemon: Daemon = make_daemon(port=broker.port).start()
    daemon.wait_for("ready")
    log = daemon.wait_for("no broker at 127.0.0.1")
    assert "is broker.host right?" in log
    assert "no broker" in ask(tmp_path / "store", "status")["broker"]
    broker.start()
    daemon.wait_for("connected to")
    publisher(broker.port).publish("water/node/a/readings", now_payload(1.0), qos=1).wait_for_publish(5)
    assert len(stored(tmp_path / "store")) == 1
    assert daemon.stop() == 0


def test_a_wrong_password_is_said_with_the_setting_to_mend(make_daemon, make_broker, tmp_path) -> None:
    """The log names user, broker and setting, and never the password."""
    broker = make_broker(username="holdwater", password="right")
    secret = tmp_path / "password"
    secret.write_text("wrong-canary")
    secret.chmod(0o600)
    more = f'username = "holdwater"\npassword_file = "{secret}"\n'
    daemon: Daemon = make_daemon(port=broker.port, more=more).start()
    log = daemon.wait_for("refused us")
    assert "broker.password_file" in log
    assert "'holdwater'" in log
    assert "wrong-canary" not in log
    assert daemon.stop() == 0


def test_the_right_password_connects_and_readings_are_stored(make_daemon, make_broker, tmp_path) -> None:
    """Against a real Mosquitto that lets nobody in without a password."""
    broker = make_broker(username="holdwater", password="right")
    secret = tmp_path / "password"
    secret.write_text("right\n")
    secret.chmod(0o600)
    daemon: Daemon = make_daemon(port=broker.port, more=f'username = "holdwater"\npassword_file = "{secret}"\n').start()
    daemon.wait_for("connected to")
    publisher(broker.port, username="holdwater", password="right").publish(
        "water/node/a/readings", now_payload(1.0), 1
    ).wait_for_publish(5)
    assert len(stored(tmp_path / "store")) == 1


def test_a_broker_that_speaks_3_1_1_only_is_served_when_the_config_says_so(
    make_daemon, iotcore_broker, tmp_path
) -> None:
    """The demo's broker in one wheel speaks no MQTT 5."""
    daemon: Daemon = make_daemon(port=iotcore_broker.port, more='version = "3.1.1"\n').start()
    daemon.wait_for("by MQTT 3.1.1")
    box = publisher(iotcore_broker.port)
    for _ in range(5):  # this broker keeps nothing for a session that has not subscribed yet; a box sends again
        box.publish("water/node/a/readings", now_payload(1.0), 1).wait_for_publish(5)
        if stored(tmp_path / "store", 2.0):
            break
    assert stored(tmp_path / "store")


def test_an_unreadable_config_is_one_clear_message(tmp_path) -> None:
    """No file, no TOML, wrong words: exit code 2 or 3, and what to do."""
    missing = run_command("run", "--config", str(tmp_path / "none.toml"))
    assert missing.returncode in (2, 3)
    assert "none.toml" in missing.stderr
    assert "Traceback" not in missing.stderr
    bad = tmp_path / "bad.toml"
    bad.write_text("[site\nname = ")
    broken = run_command("run", "--config", str(bad))
    assert broken.returncode == 2
    assert "line 1" in broken.stderr
    assert "Traceback" not in broken.stderr


def test_an_unknown_unit_is_said_with_the_units_there_are(tmp_path) -> None:
    """Key, value, expected, fix."""
    config = tmp_path / "site.toml"
    config.write_text(text_of(tmp_path / "store").replace('diameter = "42 in"', 'diameter = "42 incs"'))
    done = run_command("run", "--config", str(config))
    assert done.returncode == 2
    assert "tank.main.shape.diameter" in done.stderr
    assert "incs" in done.stderr
    assert "inches" in done.stderr


def test_garbage_nan_retained_and_strangers_stop_nothing_and_are_all_accounted_for(
    make_daemon, broker, tmp_path
) -> None:
    """Each is set aside or counted with its reason; the good reading beside them is stored."""
    client = publisher(broker.port)
    client.publish("water/node/a/readings", now_payload(0.2), qos=1, retain=True).wait_for_publish(5)
    daemon: Daemon = make_daemon(port=broker.port).start()
    daemon.wait_for("connected to")
    for text in (
        "garbage",
        '[{"n":"pressure","u":"Pa","v":NaN}]',
        b"\xff\xfe\x00",
        '[{"n":"pressure","u":"furlong","v":1}]',
    ):
        client.publish("water/node/a/readings", text, qos=1).wait_for_publish(5)
    client.publish("water/node/stranger/readings", now_payload(1.0), qos=1).wait_for_publish(5)
    client.publish("water/node/a/readings", now_payload(1.0), qos=1).wait_for_publish(5)
    assert stored(tmp_path / "store") == [pressure(1.0)]
    time.sleep(0.6)
    status = ask(tmp_path / "store", "status")
    nodes = sorted((node["name"], node["state"]) for node in status["snapshot"]["nodes"])
    assert nodes == [("a", "accepted"), ("stranger", "waiting")]
    assert daemon.stop() == 0
    with open_reader(tmp_path / "store") as reader:
        assert len(reader.quarantine(100)) == 4
        assert reader.counts()["retained, not taken"] == 1
    listed = run_command("quarantine", "list", "--config", str(daemon.config))
    assert listed.stdout.count("\n") == 8


def test_a_waiting_sensor_box_is_accepted_from_the_command_line(make_daemon, broker, tmp_path) -> None:
    """`node accept`, then its readings are stored."""
    daemon: Daemon = make_daemon(port=broker.port).start()
    daemon.wait_for("connected to")
    client = publisher(broker.port)
    pack = payload(("battery", "V", 3.3), t_s=time.time())
    client.publish("water/node/stranger/readings", pack, qos=1).wait_for_publish(5)
    time.sleep(1.5)
    assert "waits: holdwater node accept stranger" in run_command("status", "--config", str(daemon.config)).stdout
    done = run_command("node", "accept", "stranger", "--config", str(daemon.config))
    assert done.stdout == "stranger: accepted\n"
    client.publish("water/node/stranger/readings", pack, qos=1).wait_for_publish(5)
    time.sleep(1.5)
    with open_reader(tmp_path / "store") as reader:
        assert [row.value for row in reader.readings("stranger:battery", 0, START_MS * 2)] == [3.3]


def test_a_store_folder_that_cannot_be_written_is_named(tmp_path) -> None:
    """What, where, expected, next."""
    (tmp_path / "file").write_text("x")
    config = tmp_path / "site.toml"
    config.write_text(text_of(tmp_path / "file" / "store"))
    done = run_command("run", "--config", str(config))
    assert done.returncode == 3
    assert str(tmp_path / "file" / "store") in done.stderr
    assert "next: " in done.stderr
    assert "Traceback" not in done.stderr


def test_a_port_in_use_is_said_and_the_store_is_let_go(make_daemon, broker, tmp_path) -> None:
    """Exit code 4 with the address; a second start on a free port works at once."""
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        config = tmp_path / "site.toml"
        config.write_text(text_of(tmp_path / "store", port=broker.port, listen=f"127.0.0.1:{port}"))
        done = run_command("run", "--config", str(config))
    assert done.returncode == 4
    assert str(port) in done.stderr
    assert "listen under [page]" in done.stderr
    daemon: Daemon = make_daemon(port=broker.port).start()
    daemon.wait_for("ready")


def test_a_second_daemon_on_the_same_store_is_refused_and_the_first_goes_on(make_daemon, broker, tmp_path) -> None:
    """Exit code 4; the message names the process that owns the store."""
    daemon: Daemon = make_daemon(port=broker.port).start()
    daemon.wait_for("ready")
    second = run_command("run", "--config", str(daemon.config))
    assert second.returncode == 4
    assert daemon.process is not None
    assert str(daemon.process.pid) in second.stderr
    assert ask(tmp_path / "store", "status")["site"] == "Test place"


def test_commands_without_a_running_service_say_how_to_start_it(tmp_path) -> None:
    """No traceback where there is no socket."""
    config = tmp_path / "site.toml"
    config.write_text(text_of(tmp_path / "store"))
    for command in (["status"], ["node", "accept", "x"], ["note", "load"], ["record", str(tmp_path / "out")]):
        done = run_command(*command, "--config", str(config))
        assert done.returncode == 3, command
        assert "holdwater run" in done.stderr
        assert "Traceback" not in done.stderr


def test_sigterm_commits_what_came_and_ends_within_five_seconds(make_daemon, broker, tmp_path) -> None:
    """A clean stop loses nothing, also with a minute to go until the next commit."""
    daemon: Daemon = make_daemon(port=broker.port, commit_every="60 s").start()
    daemon.wait_for("connected to")
    publisher(broker.port).publish("water/node/a/readings", now_payload(1.0), 1).wait_for_publish(5)
    time.sleep(0.3)
    began = time.monotonic()
    assert daemon.stop() == 0
    assert time.monotonic() - began < 5
    assert stored(tmp_path / "store") == [pressure(1.0)]
