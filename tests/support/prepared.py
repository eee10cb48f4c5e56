"""A process that has loaded what commands load; each command then runs in a fork of it.

To load numpy, pandas and scipy costs a command more than its work. A fork runs the program from
its first line (``analysis/__main__.py``) with the folder and the environment that a new process
would get. ``tests/conftest.py`` starts the first command of each kind as a person does.
"""

import atexit
import contextlib
import gc
import importlib
import json
import os
import pkgutil
import runpy
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import traceback
from pathlib import Path

from tests.support.forked import bind_by_modes
from tests.support.rigs.devices.bluez import die_with_parent

LOADED = ("numpy", "pandas", "scipy.optimize", "scipy.special", "rich.console")
#: Python, the libraries and the loader of programs read these once, when a process starts.
_AT_START = ("PYTHON", "LD_", "LC_", "LANG", "COV", "OPENBLAS_", "OMP_", "MALLOC_")
#: More than arguments and environment of any test, bytes.
_LONGEST = 200_000


class Prepared:
    """The process that forks, as the tests see it. One command at a time."""

    def __init__(self, env, cwd):
        self._env = _at_start(env)
        self._here, there = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with there:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "tests.support.prepared", str(there.fileno())],
                cwd=cwd, env=env, pass_fds=[there.fileno()], stdin=subprocess.DEVNULL,
                preexec_fn=die_with_parent,  # noqa: PLW1509 - sets one flag
            )  # fmt: skip
        self.pid = self._process.pid

    def serves(self, env):
        """Tell whether a fork can have this environment: what is read at a start is the same."""
        return _at_start(env) == self._env

    def run(self, arguments, *, cwd, env, timeout, text=True, umask=None, bound=False):
        """Run ``ebbwatt`` with these arguments as :func:`subprocess.run` would.

        Where it is ``bound``, the modes of files bind it even where the tests run as root.
        """
        command = ["ebbwatt", *arguments]
        request = {
            "arguments": arguments, "cwd": str(Path(cwd or ".").absolute()), "env": env,
            "umask": umask, "bound": bound,
        }  # fmt: skip
        how = {"mode": "w+", "encoding": "utf-8"} if text else {"mode": "w+b"}
        with tempfile.TemporaryFile(**how) as out, tempfile.TemporaryFile(**how) as err:
            said = [out.fileno(), err.fileno()]
            socket.send_fds(self._here, [json.dumps(request).encode()], said)
            pid = int(self._answer())
            self._here.settimeout(timeout)
            try:
                status = int(self._answer())
            except TimeoutError:
                os.kill(pid, signal.SIGKILL)
                self._here.settimeout(None)
                self._answer()
                raise subprocess.TimeoutExpired(command, timeout) from None
            finally:
                self._here.settimeout(None)
            for file in (out, err):
                file.seek(0)
            return subprocess.CompletedProcess(command, status, out.read(), err.read())

    def end(self):
        """End the process."""
        self._here.close()
        self._process.wait(200)

    def _answer(self):
        answer = self._here.recv(_LONGEST)
        assert answer, "the process that forks has ended"
        return answer


def _at_start(env):
    return {key: value for key, value in env.items() if key.startswith(_AT_START)}


def _command(request, out, err):
    """Become the command: what a new process would find, and its first line."""
    die_with_parent()
    os.dup2(out, 1)
    os.dup2(err, 2)
    os.environ.clear()
    os.environ.update(request["env"])
    time.tzset()
    if request["umask"] is not None:
        os.umask(request["umask"])
    if request["bound"]:
        bind_by_modes()
    os.chdir(request["cwd"])
    sys.path[0] = request["cwd"]
    sys.argv = ["-m", *request["arguments"]]
    try:
        runpy.run_module("analysis", run_name="__main__", alter_sys=True)
        status = 0
    except SystemExit as end:
        status = end.code if isinstance(end.code, int) else int(end.code is not None)
    except BaseException:  # noqa: BLE001 - as Python itself does at the end of a process
        traceback.print_exc()
        status = 1
    threading._shutdown()
    atexit._run_exitfuncs()
    for stream in (sys.stdout, sys.stderr):
        with contextlib.suppress(OSError, ValueError):
            stream.flush()
    return status


def load():
    import analysis
    import logger

    for name in LOADED:
        importlib.import_module(name)
    for package in (logger, analysis):
        for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            # Programs of their own, and what needs libraries that are not always there.
            if not module.name.endswith("__main__") and "fleet" not in module.name:
                with contextlib.suppress(ImportError):
                    importlib.import_module(module.name)


def _serve(line):
    load()
    gc.freeze()
    while True:
        message, given, *_ = socket.recv_fds(line, _LONGEST, 2)
        if not message:
            return
        child = os.fork()
        if child == 0:
            line.close()
            os._exit(_command(json.loads(message), *given))
        for file in given:
            os.close(file)
        line.send(str(child).encode())
        _, status = os.waitpid(child, 0)
        line.send(str(os.waitstatus_to_exitcode(status)).encode())


if __name__ == "__main__":
    _serve(socket.socket(fileno=int(sys.argv[1])))
