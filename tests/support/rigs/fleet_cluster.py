"""A scheduler and two workers on loopback; ends when its standard input does.

Arguments: the folder of certificates for TLS, if any. Prints the scheduler's address.
"""

import sys
from pathlib import Path

import dask
from distributed import LocalCluster, Security


def main():
    security = None
    if len(sys.argv) > 1:
        folder = Path(sys.argv[1])
        pair = {
            f"tls_{role}_{part}": str(folder / f"ours.{end}")
            for role in ("client", "scheduler", "worker")
            for part, end in (("cert", "crt"), ("key", "key"))
        }
        security = Security(tls_ca_file=str(folder / "ca.crt"), require_encryption=True, **pair)
    settings = {
        "distributed.nanny.pre-spawn-environ": {"OPENBLAS_NUM_THREADS": 1},
        "distributed.scheduler.allowed-failures": 1,
    }
    with (
        dask.config.set(settings),
        LocalCluster(
            n_workers=2,
            threads_per_worker=1,
            host="tls://127.0.0.1" if security else "127.0.0.1",
            dashboard_address=None,
            security=security,
            protocol="tls://" if security else "tcp://",
        ) as cluster,
    ):
        print(cluster.scheduler_address, flush=True)
        sys.stdin.read()


if __name__ == "__main__":
    main()
