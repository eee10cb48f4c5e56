"""A scheduler and two workers on loopback; ends when its standard input does.

A worker that dies is started again, as a service manager would do: the nanny that comes with the
engine gives up when its worker dies while it still starts. Each is a fork of a process that has
loaded the engine and the program, which costs a worker more than its work. Arguments: how many
workers, and the folder of certificates for TLS, if any. Prints the scheduler's address.
"""

import json
import os
import sys
from pathlib import Path

import dask
from distributed import LocalCluster, Security
from distributed.cli.dask_worker import main as worker

import analysis.fleet.assess
import analysis.fleet.engine.remote  # noqa: F401 - for the workers
from tests.support.rigs.devices.bluez import die_with_parent


def keeper():
    """Fork what starts a worker again as long as it dies; return where it is told how, once.

    It is forked before the scheduler has threads, and ends with this process.
    """
    told, tell = os.pipe()
    rig = os.getpid()
    if os.fork():
        os.close(told)
        return tell
    die_with_parent(rig)
    os.close(tell)
    with os.fdopen(told) as file:
        arguments = json.loads(file.readline())
    this = os.getpid()
    while True:
        pid = os.fork()
        if pid == 0:
            die_with_parent(this)
            os.dup2(os.open(os.devnull, os.O_WRONLY), 2)
            worker(arguments)
        os.waitpid(pid, 0)


def main():
    security, flags = None, []
    keepers = [keeper() for _ in range(int(sys.argv[1]))]
    if len(sys.argv) > 2:
        folder = Path(sys.argv[2])
        ca, certificate, key = (str(folder / n) for n in ("ca.crt", "ours.crt", "ours.key"))
        pair = {
            f"tls_{role}_{part}": file
            for role in ("client", "scheduler", "worker")
            for part, file in (("cert", certificate), ("key", key))
        }
        security = Security(tls_ca_file=ca, require_encryption=True, **pair)
        flags = ["--tls-ca-file", ca, "--tls-cert", certificate, "--tls-key", key]
    protocol = "tls://" if security else "tcp://"
    with (
        dask.config.set({"distributed.scheduler.allowed-failures": 1}),
        LocalCluster(
            n_workers=0,
            host=f"{protocol}127.0.0.1" if security else "127.0.0.1",
            dashboard_address=None,
            security=security,
            protocol=protocol,
        ) as cluster,
    ):
        arguments = [cluster.scheduler_address, "--no-nanny", "--no-dashboard", "--nthreads", "1"]
        for tell in keepers:
            with os.fdopen(tell, "w") as file:
                file.write(json.dumps([*arguments, *flags]) + "\n")
        print(cluster.scheduler_address, flush=True)
        sys.stdin.read()
        # All others end with this process. A cluster that is closed ends its workers first, and
        # their keepers would start them again.
        os._exit(0)


if __name__ == "__main__":
    main()
