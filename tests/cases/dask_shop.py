"""A real scheduler and real workers, as processes of their own, on loopback."""

from __future__ import annotations

import contextlib
import os
import shutil
import socket
import subprocess
import time

import dask
import pytest
from distributed import Client
from small_study import ROOT
from warm import WarmProcess


def made_certificate(folder):
    """A key, and a certificate of it that is its own authority."""
    openssl = shutil.which("openssl") or pytest.skip("no openssl")
    key, certificate = folder / "key.pem", folder / "certificate.pem"
    options = ("-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=test")
    command = [openssl, "req", "-x509", *options, "-keyout", key, "-out", certificate]
    subprocess.run(command, check=True, capture_output=True)
    return key, certificate


def configured(key, certificate):
    """This process as a user of Dask who has set up TLS and wants nothing else."""
    tls = {"ca-file": certificate, "client.key": key, "client.cert": certificate}
    set_up = {f"distributed.comm.tls.{name}": str(path) for name, path in tls.items()}
    return dask.config.set(set_up | {"distributed.comm.require-encryption": True})


class Shop:
    """A scheduler and its workers; with a key and a certificate they speak TLS alone."""

    def __init__(self, folder, tls=()):
        self.folder = folder
        self.tls = ()
        if tls:
            key, certificate = tls
            self.tls = ("--tls-ca-file", certificate, "--tls-key", key, "--tls-cert", certificate)
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        self.address = f"{'tls' if tls else 'tcp'}://127.0.0.1:{port}"
        self.processes = []
        self.scheduler = self.begin(
            "scheduler",
            *("--host", self.address.rpartition(":")[0], "--port", str(port), "--no-dashboard"),
            *self.tls,
        )
        ends = time.monotonic() + 30
        while time.monotonic() < ends:
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port)):
                return
            time.sleep(0.05)
        raise TimeoutError("no scheduler")

    def begin(self, *arguments, path=()):
        environment = {"PYTHONPATH": os.pathsep.join([*map(str, path), str(ROOT)])}
        self.processes.append(
            WarmProcess("dask", *arguments, cwd=self.folder, env=environment, path=path)
        )
        return self.processes[-1]

    def worker(self, name, path=()):
        plain = ("--nthreads", "1", "--no-nanny", "--no-dashboard", *self.tls)
        host = self.address.rpartition(":")[0]
        return self.begin("worker", self.address, "--name", name, *plain, "--host", host, path=path)

    def wait_for_workers(self, count):
        with Client(self.address, set_as_default=False) as client:
            client.wait_for_workers(count, timeout=60)

    def close(self):
        for process in reversed(self.processes):
            process.kill()
            process.wait()
