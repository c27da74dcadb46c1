"""Secrets: where they come from, and that they never show."""

from __future__ import annotations

import copy
import json
import logging
import os
import pickle
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from holdwater.config.channel import ChannelConfig
from holdwater.config.fields import field_names, models_in
from holdwater.config.general import BrokerConfig
from holdwater.config.redact import GONE, is_secret, sha_of, without_secrets
from holdwater.config.secrets import Places, Secret

USER = '[broker]\nusername = "me"\n'


def secret_file(path, text="hunter2", mode=0o600):
    path.write_text(text)
    path.chmod(mode)
    return path


def test_a_secret_does_not_show_in_repr_str_format_or_log(caplog):
    """Only reveal() gives it."""
    secret = Secret("hunter2")
    with caplog.at_level(logging.INFO):
        logging.getLogger("x").info("password %s %r", secret, secret)
    said = f"{secret} {secret!r} {secret!s:>10} {[secret]} {caplog.text}"
    assert "hunter2" not in said
    assert secret.reveal() == "hunter2"
    assert secret == Secret("hunter2")
    assert secret != "hunter2"
    assert len({secret, Secret("hunter2"), Secret("other")}) == 2
    assert not Secret("")


def test_a_secret_is_neither_pickled_nor_copied_to_text():
    """What is written by accident is refused."""
    for write in (pickle.dumps, copy.copy, json.dumps):
        with pytest.raises(TypeError):
            write(Secret("hunter2"))


def test_a_password_file_beside_the_config_is_read_without_its_newline(read, tmp_path):
    """The usual way: one line in a file of mode 600."""
    secret_file(tmp_path / "broker.password", "hunter2\n")
    site = read(USER + 'password_file = "broker.password"\n')
    assert site.broker.password == Secret("hunter2")
    assert "hunter2" not in repr(site)


def test_a_group_may_read_a_secret_but_the_world_may_not(read, problems_of, tmp_path):
    """World-readable is refused with the command that mends it."""
    path = secret_file(tmp_path / "p", mode=0o640)
    assert read(USER + 'password_file = "p"\n').broker.password == Secret("hunter2")
    path.chmod(0o644)
    problem = problems_of(USER + 'password_file = "p"\n')["broker.password_file"]
    assert "everybody on this machine" in problem.found
    assert "644" in problem.found
    assert "only its owner" in problem.expected
    assert f'chmod 600 "{path}"' in problem.fix
    assert "hunter2" not in problem.words()


def test_a_missing_secret_file_says_where_and_how_to_make_it(problems_of, tmp_path):
    """What, where, expected, next step."""
    problem = problems_of(USER + 'password_file = "nope"\n')["broker.password_file"]
    assert problem.found == f"there is no file {tmp_path / 'nope'}"
    assert "holds the secret" in problem.expected
    assert "install -m 600" in problem.fix


@pytest.mark.parametrize(
    ("make", "found"),
    [
        (lambda path: path.mkdir(), "is a folder"),
        (lambda path: secret_file(path, ""), "is empty"),
        (lambda path: (path.write_bytes(b"\xff\xfe"), path.chmod(0o600)), "not UTF-8"),
        (lambda path: secret_file(path, "x" * 70_000), "larger than 64 kB"),
        (lambda path: os.mkfifo(path, 0o600), "not an ordinary file"),
    ],
)
def test_every_other_wrong_secret_file_is_named(problems_of, tmp_path, make, found):
    """A folder, nothing, no text, too much, a pipe: each in words, none waits for ever."""
    make(tmp_path / "p")
    problem = problems_of(USER + 'password_file = "p"\n')["broker.password_file"]
    assert found in problem.found
    assert problem.fix


@pytest.mark.skipif(os.geteuid() == 0, reason="root may read everything")
def test_a_secret_file_of_somebody_else_says_who_must_own_it(problems_of, tmp_path):
    """No permission: let the service own it."""
    secret_file(tmp_path / "p", mode=0o000)
    problem = problems_of(USER + 'password_file = "p"\n')["broker.password_file"]
    assert "Permission denied" in problem.found
    assert "chown" in problem.fix


def test_the_credentials_folder_of_systemd_comes_before_the_folder_of_the_config(read, tmp_path):
    """$CREDENTIALS_DIRECTORY (systemd.exec(5)); an absolute path stays what it is."""
    folder = tmp_path / "credentials"
    folder.mkdir()
    secret_file(folder / "broker.password", "from systemd")
    beside = secret_file(tmp_path / "broker.password", "beside")
    environ = {"CREDENTIALS_DIRECTORY": str(folder)}
    assert read(USER + 'password_file = "broker.password"\n', environ).broker.password == Secret("from systemd")
    assert read(USER + f'password_file = "{beside}"\n', environ).broker.password == Secret("beside")
    (folder / "broker.password").unlink()
    assert read(USER + 'password_file = "broker.password"\n', environ).broker.password == Secret("beside")


def test_a_password_from_the_environment(read, problems_of):
    """`password_env` names the variable; not set and empty are told apart."""
    text = USER + 'password_env = "BROKER"\n'
    assert read(text, {"BROKER": "hunter2"}).broker.password == Secret("hunter2")
    missing = problems_of(text)["broker.password_env"]
    assert missing.found == "the environment variable BROKER is not set"
    assert "set BROKER before the start" in missing.fix
    assert "is empty" in problems_of(text, {"BROKER": ""})["broker.password_env"].found


def test_two_ways_at_once_and_a_password_without_a_name_are_refused(problems_of):
    """One password, and who we are with it."""
    both = problems_of(USER + 'password = "hunter2"\npassword_env = "B"\n')["broker.password"]
    assert both.found == "password and password_env"
    assert both.expected == "one of them"
    alone = problems_of('[broker]\npassword = "hunter2"\n')["broker.username"]
    assert alone.found == "password without username"
    assert alone.fix == "add username = …"


def test_a_password_in_the_open_is_taken_warned_of_and_never_kept(read):
    """Allowed, warned, redacted: also where a comment repeats it."""
    site = read(USER + 'password = "hunter2!"  # was hunter2! before\n')
    assert site.broker.password == Secret("hunter2!")
    assert "hunter2!" not in site.text
    assert f'password = "{GONE}"' in site.text
    assert f"# was {GONE} before" in site.text
    warned = [words for words in site.warnings if words.startswith("broker.password stands in the open")]
    assert len(warned) == 1
    assert "password_file" in warned[0]


def test_a_secret_that_is_an_ordinary_word_changes_nothing_else_in_the_kept_text(read):
    """A password "drinking" must not rename the drinking tank in the store."""
    site = read('[broker]\nusername = "drinking"\npassword = "drinking"\n')
    kept = tomllib.loads(site.text)
    assert list(kept["tank"]) == ["drinking"]
    assert kept["tank"]["drinking"]["use"] == "drinking"
    assert kept["broker"] == {"username": "drinking", "password": GONE}


@pytest.mark.parametrize(
    "text",
    [
        "[broker]\npassword = hunter2\n",
        '[broker]\npassword = "hunter2\n',
        '[broker]\npasswort = 1\npassword = ["hunter2"]\n',
        '[channel.a]\nkind = "webhok"\nurl = "hunter2"\n',
        '[channel.a]\nurl = "hunter2"\n',
        '[channel]\ntoken = "hunter2"\n',
        '[chanel.a]\ntoken = "hunter2"\n',
        '[channel.a]\nkind = "webhook"\nurl = "hunter2"\n',
        '[broker]\ntls = { password = "hunter2" }\n',
    ],
)
def test_no_error_shows_a_secret(problems_of, text):
    """Errors end in logs and in bug reports."""
    assert "hunter2" not in " ".join(problem.words() for problem in problems_of(text).values())
    above = problems_of("", before='password = "hunter2"\n')
    assert "hunter2" not in " ".join(problem.words() for problem in above.values())


def test_a_secret_of_a_channel_is_looked_at_when_the_config_is_read(read, problems_of, tmp_path):
    """A webhook's address file: absolute afterwards; world-readable or missing is a problem now, not at the first notice."""
    text = '[channel.phone]\nkind = "webhook"\nurl_file = "phone.url"\n'
    assert "there is no file" in problems_of(text)["channel.phone.url_file"].found
    path = secret_file(tmp_path / "phone.url", "https://example.org/t0ken", 0o644)
    assert "chmod 600" in problems_of(text)["channel.phone.url_file"].fix
    path.chmod(0o600)
    site = read(text)
    assert site.channels["phone"].url_file == str(path)
    assert "t0ken" not in repr(site)


def test_a_certificate_that_is_not_there_is_a_problem(problems_of, tmp_path):
    """TLS to the broker: the path as understood is shown."""
    problem = problems_of('[broker]\ntls = { ca_file = "ca.pem" }\n')["broker.tls.ca_file"]
    assert problem.found == f"there is no file {tmp_path / 'ca.pem'}"
    assert "PEM" in problem.expected


def test_every_setting_with_a_file_of_its_own_is_known_as_a_secret():
    """The list of secret names cannot fall behind the models."""
    for model in [BrokerConfig, *models_in(ChannelConfig)]:
        names = field_names(model)
        for name in names:
            if f"{name}_file" in names:
                assert is_secret(name), f"{model.__name__}.{name}"


def test_secrets_are_taken_out_of_every_form_that_toml_has():
    """Inline tables, arrays, multi-line texts, dotted keys, quoted keys, headers of their own section."""
    text = """
[broker]
password = 'raw secret'
[channel.a]
url = \"\"\"
multi line secret\"\"\"
headers = { Authorization = "inline secret", x = ["array secret"] } # end
auth.token = "dotted secret"
"api_key" = "quoted secret"
[channel.b.headers.deep]
any = "header secret"
[tank.a]
name = "kept"
from = 2026-10-01T08:00:00-06:00
list = [1.5, "kept too"]
"""
    clean = without_secrets(text, tomllib.loads(text))
    assert "secret" not in clean.replace(GONE, "")
    assert 'name = "kept"' in clean
    assert "kept too" in clean
    kept = tomllib.loads(clean)
    assert kept["tank"] == tomllib.loads(text)["tank"]


def test_a_secret_that_hides_behind_an_escaped_key_is_refused_not_kept(problems_of):
    """What cannot be taken out may not be kept."""
    problem = problems_of('[channel.a]\nkind = "webhook"\n"u\\u0072l" = "https://example.org/hunt\\u0065r2"\n')["file"]
    assert "cannot be taken out" in problem.found
    assert "password_file" in problem.fix


@pytest.mark.slow
@settings(max_examples=100)
@given(
    st.text(max_size=20).map(lambda text: f"§{text}"),
    st.sampled_from(["[broker]\npassword = {}\n", "[c]\nx = {{ a = 1, token = {} }}\n", "[c]\nheaders = [[{}], 2]\n"]),
)
def test_no_secret_of_any_text_is_kept(value, form):
    """Whatever its characters."""
    text = form.format(json.dumps(value, ensure_ascii=True).replace("\\u007f", "\x7f"))
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError:  # surrogates and the like are no TOML
        return
    kept = tomllib.loads(without_secrets(text, data))
    assert "§" not in json.dumps(kept, ensure_ascii=False)


def test_the_mark_of_a_config_does_not_change_with_comments_order_or_secrets(read):
    """SHA-256 of a canonical form; a change that means something changes it."""
    one = read('[page]\nlisten = "off"\nhosts = ["a"]\n[broker]\nusername = "u"\npassword = "one pass"\n')
    two = read('# hi\n[broker]\npassword   = "other pass"\nusername = "u"\n[page]\nhosts=["a"]\nlisten="off"\n')
    three = read('[page]\nlisten = "off"\nhosts = ["b"]\n[broker]\nusername = "u"\npassword = "one pass"\n')
    assert one.sha == two.sha
    assert one.sha != three.sha
    assert len(one.sha) == 32
    assert sha_of(one.text) == one.sha


def test_a_relative_path_begins_at_the_config(tmp_path):
    """And a ~ is the home of the user."""
    places = Places(tmp_path, {})
    assert places.path_of("a/b") == tmp_path / "a" / "b"
    assert places.path_of("/x") != tmp_path / "x"
