"""Places, terminals and files that are not as one expects: one clear line, never a traceback."""

from __future__ import annotations

import contextlib
import errno
import io
import os
import shutil
import socket
import ssl
import struct
import subprocess
import sys
import threading
from pathlib import Path
from unittest import mock

import dask
import pytest
from small_study import nothing_drawn, run_here, small_study, write_small_study

from optimiser.base.errors import InputError, StorageError
from optimiser.base.files import readable
from optimiser.command.cli import main
from optimiser.folder.claim import LOCK_FILE, STATE_FILE, claim_folder
from optimiser.folder.design import MOST_POSES, curves_text
from optimiser.folder.pick import PICK_FILE
from optimiser.jobs import cluster
from optimiser.jobs.cluster import ClusterError
from optimiser.search.record import UnitRecord

LONG = "x" * 300
DEEP = "[" * 200_000
FULL = Path("/dev/full")


def refused(*arguments, cwd):
    code, out, err = run_here(*arguments, cwd=cwd)
    assert code == 2, out
    (line,) = err.splitlines()
    assert line.startswith("optimiser: ")
    return line


# --- names ---------------------------------------------------------------------------------------


@pytest.mark.parametrize("out", [LONG, "/".join(["y" * 200] * 30)], ids=["name", "path"])
def test_an_out_too_long_for_the_file_system(tmp_path, finished_run, out):
    path, result = write_small_study(tmp_path), finished_run[0]
    for arguments in (
        ("run", path, "--out", out),
        ("heights", path, "--rack", "Short", "--out", out),
        ("curves", path, "--out", out),
        ("check", path, "--numbers", out),
        ("export", result, "--to", "csv", "--out", out),
    ):
        assert "cannot be written (File name too long)" in refused(*arguments, cwd=tmp_path)
    for command in (["report"], ["pick"], ["export", "--to", "csv"]):
        line = refused(command[0], out, *command[1:], cwd=tmp_path)
        assert "holds no run.json" in line
    assert "no such study file" in refused("try", out, cwd=tmp_path)


@pytest.mark.skipif(sys.platform != "linux", reason="file names are bytes on Linux alone")
def test_a_study_whose_file_name_is_no_text(tmp_path):
    """A run without a title goes by the file's name, whose bytes need not be letters."""
    path = write_small_study(tmp_path, trials=10)
    odd = tmp_path / os.fsdecode(b"gr\xf6\xdfe.toml")
    odd.write_text(path.read_text("utf-8").replace("title = ", "# title = "), "utf-8")
    with nothing_drawn():
        code, _, err = run_here("run", odd, "--workers", 1, cwd=tmp_path)
    assert code in (0, 1), err
    head = (tmp_path / "results/gr-e/trials.csv").read_text("utf-8").splitlines()[0]
    assert head == "# gr\N{REPLACEMENT CHARACTER}\N{REPLACEMENT CHARACTER}e"
    code, _, err = run_here("pick", "results/gr-e", cwd=tmp_path)
    assert code == 0, err


def test_a_name_is_read_from_its_bytes():
    # As Python has it where the locale knows no letter beyond ASCII.
    assert readable("gr\udcc3\udcb6\udcc3\udc9fe") == "größe"
    assert readable("größe") == "größe"


# --- standard output -----------------------------------------------------------------------------


def printed_into(stream, *arguments):
    """Exit code of a command that prints into a stream."""
    with (
        mock.patch.object(sys, "argv", ["optimiser", *map(str, arguments)]),
        contextlib.redirect_stdout(stream),
        pytest.raises(SystemExit) as ended,
    ):
        main()
    return ended.value.code


@pytest.mark.skipif(not FULL.exists(), reason="no device that is always full")
@pytest.mark.parametrize("sweep", ["0", "-20:20:1"], ids=["in the buffer", "beyond it"])
def test_standard_output_on_a_full_device(tmp_path, capsys, sweep):
    path = write_small_study(tmp_path)
    for command in ("--version",), ("check", path), ("curves", path, f"--rack={sweep}"):
        with FULL.open("w", encoding="utf-8") as full:
            assert printed_into(full, *command) == 2
            assert full.closed  # what waits in it would fail again when the process ends
        assert capsys.readouterr().err == (
            "optimiser: standard output: cannot be used (No space left on device); free some "
            "space there or name another place; files that were written are whole\n"
        )


def test_a_title_of_letters_that_the_terminal_lacks(tmp_path):
    path = write_small_study(tmp_path)
    text = path.read_text("utf-8")
    path.write_text(text.replace("My car: which rack, and where?", "Größe 名前"), "utf-8")
    raw = io.BytesIO()
    assert printed_into(io.TextIOWrapper(raw, encoding="ascii"), "check", path) == 0
    assert rb"Gr\xf6\xdfe \u540d\u524d" in raw.getvalue()


# --- files ---------------------------------------------------------------------------------------


def test_a_result_nested_deeper_than_any_reader(copy, tmp_path):
    (copy / "run.json").write_text(DEEP, "utf-8")
    for command in ("report", "pick", "try"):
        assert "cannot be read back (maximum recursion" in refused(command, copy, cwd=tmp_path)


def test_a_typed_point_nested_deeper_is_not_the_same(copy, tmp_path):
    (copy / "picked/typed-1").mkdir(parents=True)
    (copy / "picked/typed-1" / PICK_FILE).write_text(DEEP, "utf-8")
    code, out, err = run_here("pick", copy, "--no-pictures", "--at", "spacer_mm=0", cwd=tmp_path)
    assert code in (0, 1), err
    assert "typed-2" in out


def test_a_state_nested_deeper_is_another_run(tmp_path):
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / STATE_FILE).write_text(DEEP, "utf-8")
    claim = claim_folder(tmp_path, "mine", "question")
    assert claim.path == tmp_path / "mine-2"
    claim.release()


def test_a_line_of_a_journal_nested_deeper_is_a_cut(tmp_path):
    path = tmp_path / "one.journal"
    UnitRecord(path, "one", ("a", "b")).close()
    whole = path.read_bytes()
    with path.open("a", encoding="utf-8") as stream:
        stream.write(f"{DEEP}\n")
    UnitRecord(path, "one", ("a", "b")).close()
    assert path.read_bytes() == whole


@pytest.mark.parametrize("number", [errno.ENOLCK, errno.EOPNOTSUPP, errno.ENOSYS])
def test_a_file_system_without_locks(tmp_path, number):
    fcntl = pytest.importorskip("fcntl")
    with (
        mock.patch.object(fcntl, "flock", side_effect=OSError(number, os.strerror(number))),
        pytest.raises(StorageError, match=r"mine: its file system gives no lock \(") as told,
    ):
        claim_folder(tmp_path, "mine", "question")
    assert str(told.value).endswith("choose a folder on another disk with --out")
    assert [path.name for path in (tmp_path / "mine").iterdir()] == [LOCK_FILE]


def test_curves_count_poses_not_steps(tmp_path):
    path = write_small_study(tmp_path)
    line = refused("curves", path, "--travel=-50:50:0.01", "--rack=-50:50:0.01", cwd=tmp_path)
    assert f"--travel, --rack: 10001 by 10001 poses are more than {MOST_POSES}" in line
    # The study's own travel counts as well.
    with pytest.raises(InputError, match="5 by 400000 poses"):
        curves_text(path, None, [0.001 * n for n in range(400_000)])


# --- a scheduler ---------------------------------------------------------------------------------


@contextlib.contextmanager
def answering(answer):
    """A port where each caller is answered by a function of its socket."""

    def serve():
        while True:
            try:
                caller, _ = server.accept()
            except OSError:
                return
            with contextlib.suppress(OSError), caller:
                answer(caller)

    with socket.create_server(("127.0.0.1", 0)) as server:
        threading.Thread(target=serve, daemon=True).start()
        yield f"127.0.0.1:{server.getsockname()[1]}"


def cluster_refused(address, tmp_path):
    from optimiser.jobs.batch import RunOptions, run_batch

    study = small_study(tmp_path / "in", trials=20)
    with pytest.raises(ClusterError) as told:
        run_batch([study], tmp_path, RunOptions(cluster=address), lambda *_: None, lambda: False)
    return str(told.value)


def made_certificate(place):
    """A key, and a certificate of it that nobody else trusts."""
    openssl = shutil.which("openssl") or pytest.skip("no openssl")
    made = place / "key.pem", place / "certificate.pem"
    options = ["-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=test"]
    subprocess.run(
        [openssl, "req", "-x509", *options, "-keyout", made[0], "-out", made[1]],
        check=True,
        capture_output=True,
    )
    return made


@pytest.fixture
def configured(tmp_path_factory, monkeypatch):
    """Dask as set up with such a pair."""
    monkeypatch.setattr(cluster, "CONNECT_SECONDS", 1.0)
    key, certificate = map(str, made_certificate(tmp_path_factory.mktemp("ours")))
    tls = {"ca-file": certificate, "client.key": key, "client.cert": certificate}
    with dask.config.set({f"distributed.comm.tls.{name}": value for name, value in tls.items()}):
        yield key, certificate


def test_certificates_that_are_not_configured(tmp_path, capsys):
    line = cluster_refused("tls://127.0.0.1:9", tmp_path)
    assert line.startswith("--cluster tls://127.0.0.1:9: certificates missing or not trusted (")
    assert capsys.readouterr() == ("", "")


@pytest.mark.usefixtures("configured")
def test_certificates_that_are_missing(tmp_path):
    with dask.config.set({"distributed.comm.tls.ca-file": str(tmp_path / "nowhere.pem")}):
        line = cluster_refused("tls://127.0.0.1:9", tmp_path)
    assert "certificates missing or not trusted ([Errno 2] No such file" in line


def test_a_client_that_never_started_says_nothing_when_it_goes():
    """Dask's own waits 20 s at the end of the process and prints a traceback."""
    code = (
        "from optimiser.jobs import cluster\n"
        "try:\n"
        "    with cluster._quiet(), cluster._connect('tls://127.0.0.1:9'): pass\n"
        "except cluster.ClusterError as error:\n"
        "    print(str(error)[:30])\n"
    )
    shown = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, timeout=15, check=True
    )
    assert (shown.stdout, shown.stderr) == ("--cluster tls://127.0.0.1:9: c\n", "")


def test_a_certificate_of_somebody_else(configured, tmp_path):
    key, certificate = configured
    theirs, ours = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER), ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    other_key, other = made_certificate(tmp_path)
    theirs.load_cert_chain(other, other_key)
    ours.load_cert_chain(certificate, key)
    ours.load_verify_locations(other)
    ours.verify_mode = ssl.CERT_REQUIRED
    for number, context in enumerate((theirs, ours)):

        def talk(caller, context=context):
            with context.wrap_socket(caller, server_side=True) as stream:
                stream.recv(1000)

        with answering(talk) as place_there:
            line = cluster_refused(f"tls://{place_there}", tmp_path / str(number))
        assert f"tls://{place_there}: certificates missing or not trusted (" in line, line


@pytest.mark.usefixtures("configured")
def test_a_scheduler_with_and_without_tls_taken_for_the_other(tmp_path):
    with answering(lambda caller: (caller.sendall(b"\0" * 64), caller.recv(1000))) as plain:
        line = cluster_refused(f"tls://{plain}", tmp_path / "plain")
    assert line.endswith("the scheduler there has no TLS; give its address as tcp://")

    def hang_up(caller):
        caller.recv(1000)
        caller.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))

    with answering(hang_up) as secret:
        line = cluster_refused(f"tcp://{secret}", tmp_path / "secret")
    assert "who answers there hung up (" in line
    assert line.endswith("if it is a scheduler with TLS, give its address as tls://")
