"""Runs many commands quickly, each in a fork of one process that has loaded everything already.

``python -m tests.support.forked`` reads a line of JSON for each command and answers with one. One
of the command's calls to the system may be made to fail (see ``faults.c``).
"""

import ctypes
import importlib
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

#: capability.h of Linux: what lets root pass over the modes of files.
DAC = (1, 2, 3)
#: prctl(2): takes a capability out of what a program may have after exec.
PR_CAPBSET_DROP = 24
#: capset(2): the version of the interface with two words of 32 bits for each set.
CAP_VERSION_3 = 0x20080522
LOADED = ("numpy", "pandas", "scipy.optimize", "scipy.special", "rich.console", "analysis.parser")


class Forked:
    """The process, as a test sees it; a context manager."""

    def __init__(self, folder, env, preload=None):
        env = {k: v for k, v in env.items() if not k.startswith("COV")}
        if preload is not None:
            env |= {"LD_PRELOAD": str(preload)}
        self._process = subprocess.Popen(
            [sys.executable, "-m", "tests.support.forked"], cwd=folder, env=env, text=True,
            stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        )  # fmt: skip

    def __enter__(self):
        return self

    def __exit__(self, *_):
        self._process.stdin.close()
        self._process.wait(200)
        self._process.stdout.close()

    def run(self, *arguments, cwd, **how):
        """Run one command; return its status, what it said, and how often a call was failed.

        Calls that concern files of the folder may fail.
        """
        request = {"arguments": [str(a) for a in arguments], "cwd": str(cwd), **how}
        self._process.stdin.write(json.dumps(request) + "\n")
        self._process.stdin.flush()
        answer = self._process.stdout.readline()
        assert answer, "the process that forks has ended"
        return json.loads(answer)


def bind_by_modes():
    """Give up what makes modes of files meaningless to root, here and in every child."""
    if os.geteuid() != 0:
        return
    library = ctypes.CDLL(None, use_errno=True)
    for capability in DAC:
        if library.prctl(PR_CAPBSET_DROP, capability, 0, 0, 0):
            raise OSError(ctypes.get_errno(), "prctl")
    header = (ctypes.c_uint32 * 2)(CAP_VERSION_3, 0)
    sets = (ctypes.c_uint32 * 6)()
    library.capget(header, sets)
    mask = ~sum(1 << capability for capability in DAC) & 0xFFFFFFFF
    for word in range(3):  # effective, permitted, inheritable
        sets[word] &= mask
    if library.capset(header, sets):
        raise OSError(ctypes.get_errno(), "capset")


def _child(request, out, err, hits):
    from analysis.cli import main

    os.dup2(out.fileno(), 1)
    os.dup2(err.fileno(), 2)
    os.environ.update(request.get("env", {}) | {"EBBWATT_FAULTS_UNDER": request["cwd"] + "/"})
    os.chdir(request["cwd"])
    fault = request.get("fault")
    library = ctypes.CDLL(os.environ["LD_PRELOAD"]) if fault else None
    if fault:
        number, error, half, lasting = fault
        library.faults_arm(ctypes.c_long(number), error, half, lasting)
    status = main(request["arguments"])
    if fault:
        os.write(hits.fileno(), str(library.faults_hit()).encode())
    sys.stdout.flush()
    sys.stderr.flush()
    os._exit(status)


def _run(request):
    with (
        tempfile.TemporaryFile() as out,
        tempfile.TemporaryFile() as err,
        tempfile.TemporaryFile() as hits,
    ):
        pid = os.fork()
        if pid == 0:
            try:
                _child(request, out, err, hits)
            except BaseException:  # noqa: BLE001 - the child must end here, whatever it is
                import traceback

                traceback.print_exc()
                sys.stderr.flush()
                os._exit(70)
        _, status = os.waitpid(pid, 0)
        said = []
        for file in (out, err, hits):
            file.seek(0)
            said.append(file.read().decode("utf-8", "replace"))
    return {
        "status": os.waitstatus_to_exitcode(status),
        "stdout": said[0],
        "stderr": said[1],
        "hits": int(said[2] or 0),
    }


def _serve():
    for module in LOADED:
        importlib.import_module(module)
    from analysis.parser import build_parser

    build_parser()
    for line in sys.stdin:
        print(json.dumps(_run(json.loads(line))), flush=True)


def build_shim(compiler, folder):
    """Compile ``faults.c``; return its path."""
    target = folder / "faults.so"
    source = Path(__file__).with_name("faults.c")
    subprocess.run([compiler, "-shared", "-fPIC", "-O1", "-o", target, source, "-ldl"], check=True)
    return target


if __name__ == "__main__":
    _serve()
