"""A scheduler and two workers on loopback; ends when its standard input does.

A worker that dies is started again, as a service manager would do: the nanny that comes with the
engine gives up when its worker dies while it still starts. Arguments: how many workers, and the
folder of certificates for TLS, if any. Prints the scheduler's address.
"""

import contextlib
import subprocess
import sys
import threading
from pathlib import Path

import dask
from distributed import LocalCluster, Security


def keep_running(command, ending):
    """Start a worker again as long as it dies."""
    while not ending.is_set():
        worker = subprocess.Popen(command, stderr=subprocess.DEVNULL)
        while worker.poll() is None:
            with contextlib.suppress(subprocess.TimeoutExpired):
                worker.wait(0.1)
            if ending.is_set():
                worker.kill()


def main():
    security, flags = None, []
    workers = int(sys.argv[1])
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
        ending = threading.Event()
        worker = ["-m", "dask", "worker", cluster.scheduler_address, "--no-nanny", "--no-dashboard"]
        command = [sys.executable, *worker, "--nthreads", "1", *flags]
        threads = [
            threading.Thread(target=keep_running, args=(command, ending)) for _ in range(workers)
        ]
        for thread in threads:
            thread.start()
        print(cluster.scheduler_address, flush=True)
        sys.stdin.read()
        ending.set()
        for thread in threads:
            thread.join()


if __name__ == "__main__":
    main()
