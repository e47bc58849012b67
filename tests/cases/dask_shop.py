"""A real scheduler and real workers, as processes of their own, on loopback."""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import sys
import time

from small_study import ROOT


def dask(*arguments, folder, path=()):
    """A process of Dask's own commands; its log is FOLDER/NAME.log."""
    log = (folder / f"{arguments[0]}-{time.monotonic_ns()}.log").open("w")
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join([*map(str, path), str(ROOT)])}
    with log:
        return subprocess.Popen(
            [sys.executable, "-m", "dask", *arguments],
            stdout=log,
            stderr=subprocess.STDOUT,
            cwd=folder,
            env=environment,
        )


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
        self.processes.append(dask(*arguments, folder=self.folder, path=path))
        return self.processes[-1]

    def worker(self, name, path=()):
        plain = ("--nthreads", "1", "--no-nanny", "--no-dashboard", "--host", "127.0.0.1")
        return self.begin("worker", self.address, "--name", name, *plain, path=path)

    def close(self):
        for process in reversed(self.processes):
            process.kill()
            process.wait()
