import os
import subprocess
import time

import pytest
import redis

from config import broker
from config.environment import Refused


@pytest.fixture
def data(tmp_path, monkeypatch):
    # The socket's folder lies in the system's temporary folder; this test's own is one too.
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    folder = tmp_path / "data"
    folder.mkdir()
    return folder


def test_the_systems_server_goes_before_the_one_that_came_along(tmp_path, monkeypatch):
    carried = broker.server()
    installed = tmp_path / "valkey-server"
    installed.write_text("#!/bin/sh\n")
    installed.chmod(0o755)

    monkeypatch.setenv("PATH", str(tmp_path))

    assert os.access(carried, os.X_OK)
    assert broker.server() == str(installed)


def test_without_any_server_the_sentence_says_what_to_install(tmp_path, monkeypatch):
    monkeypatch.setenv("PATH", str(tmp_path))
    monkeypatch.setattr("importlib.util.find_spec", lambda name: None)

    with pytest.raises(Refused, match="install redis-server or valkey-server, or name one with REDIS_URL"):
        broker.server()


def test_the_sockets_folder_is_ours_alone_or_refused(data):
    path = broker.private_socket(data)

    assert path.parent.stat().st_mode & 0o777 == 0o700
    assert broker.private_socket(data) == path

    path.parent.chmod(0o755)
    with pytest.raises(Refused, match="not a private folder"):
        broker.private_socket(data)

    broker.remove_socket(data)
    assert not path.parent.exists()


def test_a_socket_somebody_else_laid_a_trap_at_is_refused(data, tmp_path):
    path = broker.private_socket(data)
    path.parent.rmdir()
    path.parent.symlink_to(tmp_path)

    with pytest.raises(Refused, match="not a private folder"):
        broker.private_socket(data)


def test_a_queue_outlives_its_server_and_a_stale_socket_is_no_answer(data):
    path = broker.private_socket(data)
    url = f"unix://{path}"

    def served():
        server = subprocess.Popen(broker.command(path, data))
        while not broker.answers(url):
            assert server.poll() is None
            time.sleep(0.01)
        return server

    def ask(question):
        with redis.Redis.from_url(url) as client:
            return question(client)

    first = served()
    ask(lambda client: client.lpush("notify", "one"))
    first.kill()
    first.wait()
    assert path.exists()
    assert not broker.answers(url)

    second = served()
    assert ask(lambda client: client.llen("notify")) == 1
    kept = ask(lambda client: client.config_get("maxmemory-policy") | client.config_get("port"))
    assert kept == {"maxmemory-policy": "noeviction", "port": "0"}
    second.terminate()
    assert second.wait() == 0
