"""A real broker for tests: mosquitto on a free port of loopback, that can be killed and started again."""

import datetime
import ipaddress
import os
import shutil
import socket
import subprocess
import threading
from collections import Counter
from pathlib import Path

import pytest
from cryptography import x509
from cryptography.hazmat.primitives import hashes, serialization
from cryptography.hazmat.primitives.asymmetric import ec
from cryptography.x509.oid import NameOID
from paho.mqtt.client import Client
from paho.mqtt.enums import CallbackAPIVersion
from tests.helpers.wires import until


def mosquitto() -> str:
    found = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin:/usr/local/sbin")
    if found is None:
        pytest.skip("no mosquitto here: install the package mosquitto")
    return found


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as server:
        return server.getsockname()[1]


class Broker:
    def __init__(self, folder: Path, *lines: str) -> None:
        self.program, self.port, self.process = mosquitto(), free_port(), None
        self.config = folder / "mosquitto.conf"
        # Who subscribed and was away gets what came meanwhile, also from a broker that was killed and started again:
        # each change is saved at once (mosquitto.conf(5)), or a listener that comes back late would miss something.
        told = [f"listener {self.port} 127.0.0.1", "persistence true", f"persistence_location {folder}/"]
        told += ["autosave_on_changes true", "autosave_interval 1"]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            told.insert(0, "user root")  # else it becomes another, who may not read the test's folder
        self.config.write_text("\n".join([*told, *(lines or ("allow_anonymous true",))]) + "\n")

    def start(self) -> None:
        self.process = subprocess.Popen(
            [self.program, "-c", str(self.config)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until(self._listens)

    def _listens(self) -> bool:
        assert self.process.poll() is None, "the broker did not start"
        with socket.socket() as sock:
            return sock.connect_ex(("127.0.0.1", self.port)) == 0

    def end(self) -> None:
        self.process.terminate()
        self.process.wait()

    def kill(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None


class Listener:
    """Somebody who hears all topics; `heard`: (topic, text) in order; `counts`: how many of each topic."""

    def __init__(self, port: int) -> None:
        self.heard, self.counts, ready = [], Counter(), threading.Event()
        self.client = Client(CallbackAPIVersion.VERSION2, "listener", clean_session=False)
        self.client.on_connect = lambda client, *_: client.subscribe("#", 1)
        self.client.on_subscribe = lambda *_: ready.set()
        self.client.on_message = self._heard
        self.client.connect("127.0.0.1", port)
        self.client.loop_start()
        assert ready.wait(10)

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self.close()

    def _heard(self, _client, _data, message) -> None:
        self.heard.append((message.topic, message.payload.decode()))
        self.counts[message.topic] += 1

    def close(self) -> None:
        self.client.disconnect()
        self.client.loop_stop()


def certificate(folder):
    """Write a key and a certificate that vouches for itself, for 127.0.0.1."""
    key = ec.generate_private_key(ec.SECP256R1())
    name = x509.Name([x509.NameAttribute(NameOID.COMMON_NAME, "broker of a test")])
    now = datetime.datetime.now(datetime.UTC)
    made = (
        x509.CertificateBuilder().subject_name(name).issuer_name(name).public_key(key.public_key())
        .serial_number(x509.random_serial_number()).not_valid_before(now).not_valid_after(now + datetime.timedelta(1))
        .add_extension(x509.SubjectAlternativeName([x509.IPAddress(ipaddress.ip_address("127.0.0.1"))]), False)
        .add_extension(x509.BasicConstraints(ca=True, path_length=None), True)
        .sign(key, hashes.SHA256())
    )  # fmt: skip
    (folder / "ca.pem").write_bytes(made.public_bytes(serialization.Encoding.PEM))
    (folder / "key.pem").write_bytes(key.private_bytes(
        serialization.Encoding.PEM, serialization.PrivateFormat.PKCS8, serialization.NoEncryption()
    ))  # fmt: skip
