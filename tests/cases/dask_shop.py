"""A real scheduler and real workers, as processes of their own, on loopback."""

from __future__ import annotations

import contextlib
import os
import socket
import time

from distributed import Client
from small_study import ROOT
from warm import WarmProcess


class Shop:
    """A scheduler and its workers."""

    def __init__(self, folder):
        self.folder = folder
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            port = probe.getsockname()[1]
        self.address = f"tcp://127.0.0.1:{port}"
        self.processes = []
        self.scheduler = self.begin(
            "scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard"
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
        plain = ("--nthreads", "1", "--no-nanny", "--no-dashboard", "--host", "127.0.0.1")
        return self.begin("worker", self.address, "--name", name, *plain, path=path)

    def wait_for_workers(self, count):
        with Client(self.address, set_as_default=False) as client:
            client.wait_for_workers(count, timeout=60)

    def close(self):
        for process in reversed(self.processes):
            process.kill()
            process.wait()
