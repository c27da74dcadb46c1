"""The settings that sections become, and a file as it may come."""

from __future__ import annotations

from pathlib import Path

import pytest

from holdwater.config.general import derived_client_id, split_listen
from holdwater.config.load import load
from holdwater.errors import ConfigError, HoldwaterError, OutsideError

SMALL = '[site]\nname = "Small"\ntimezone = "UTC"\n'


def test_everything_has_a_default_but_name_and_time_zone(read, tmp_path):
    """The smallest file."""
    site = read("", before=SMALL)
    assert (site.broker.host, site.broker.port, site.broker.prefix) == ("127.0.0.1", 1883, "water")
    assert site.broker.password is None
    assert site.store.folder == Path("/var/lib/holdwater")
    assert site.store.database.name == "store.db"
    assert site.store.socket.name == "control.sock"
    assert site.store.lock.name == "store.lock"
    assert site.page.address == "http://127.0.0.1:8080/"
    assert site.measure.system == "US"
    assert (site.latitude, site.longitude, site.air_series) == (None, None, None)


def test_tls_moves_the_port_and_relative_folders_begin_at_the_config(read, tmp_path):
    """8883 is the port for MQTT over TLS (IANA: secure-mqtt)."""
    site = read('[broker]\ntls = { }\n[store]\nfolder = "data"\n', before=SMALL)
    assert site.broker.port == 8883
    assert site.broker.tls is not None
    assert site.store.folder == tmp_path / "data"


@pytest.mark.parametrize(
    ("listen", "parts"),
    [
        ("127.0.0.1:8080", ("127.0.0.1", 8080)),
        ("[::1]:80", ("::1", 80)),
        ("water.home:1", ("water.home", 1)),
        ("off", None),
    ],
)
def test_an_address_to_listen_on_is_split(listen, parts):
    """IPv6 in brackets (RFC 3986, 3.2.2)."""
    assert split_listen(listen) == parts


def test_the_page_can_be_off_and_an_ipv6_address_opens_in_a_browser(read):
    """What is printed can be clicked."""
    assert read('[page]\nlisten = "off"\n', before=SMALL).page.address == "off"
    assert read('[page]\nlisten = "[::1]:80"\n', before=SMALL).page.address == "http://[::1]:80/"


def test_the_name_of_the_session_stays_and_differs_between_two_services():
    """A durable session needs a stable name; two services must not steal each other's."""
    one = derived_client_id("Quern Bench", Path("/a"))
    assert one == derived_client_id("Quern Bench", Path("/a"))
    assert one != derived_client_id("Quern Bench", Path("/b"))
    assert one.startswith("holdwater-quern-bench-")
    assert derived_client_id("水", Path("/a")).startswith("holdwater-site-")


def test_a_file_that_is_not_there_says_so(tmp_path):
    """What, where, expected, next step."""
    with pytest.raises(OutsideError) as caught:
        load(tmp_path / "none.toml", {})
    words = caught.value.words()
    assert "there is no such file" in words
    assert str(tmp_path / "none.toml") in words
    assert "a config file in TOML" in words
    assert "sample_configs" in words
    assert caught.value.exit_code == 3


def test_a_folder_a_pipe_and_a_file_of_somebody_else_say_so(tmp_path):
    """Each in words; none hangs."""
    with pytest.raises(OutsideError, match="this is a folder"):
        load(tmp_path, {})
    with pytest.raises(OutsideError, match="cannot be read"):
        load(tmp_path / "a\0b", {})
    with pytest.raises(OutsideError, match="cannot be read"):
        load(tmp_path / ("x" * 5000), {})


def test_a_file_that_is_not_utf8_says_the_line(tmp_path):
    """Saved in an old encoding: where, and what to do."""
    path = tmp_path / "old.toml"
    path.write_bytes('[site]\nname = "Caf\xe9"\n'.encode("latin-1"))
    with pytest.raises(ConfigError) as caught:
        load(path, {})
    (problem,) = caught.value.problems
    assert problem.key == "line 2"
    assert "0xe9" in problem.found
    assert problem.expected == "text in UTF-8"
    assert "save the file as UTF-8" in problem.fix


def test_a_file_with_a_byte_order_mark_and_windows_lines_is_read(tmp_path):
    """As some editors save it."""
    path = tmp_path / "site.toml"
    path.write_bytes(b"\xef\xbb\xbf" + SMALL.replace("\n", "\r\n").encode())
    assert load(path, {}).name == "Small"


def test_a_file_too_large_to_be_a_config_is_refused(tmp_path):
    """Somebody named the wrong file."""
    path = tmp_path / "big.toml"
    path.write_bytes(b"#" * (1 << 20) + b"\n")
    with pytest.raises(HoldwaterError, match="1 problem"):
        load(path, {})


def test_an_empty_file_says_what_is_needed(problems_of):
    """Not a crash, not an empty site."""
    problem = problems_of("", before="")["site"]
    assert "the name and the time zone" in problem.expected
