"""Whether a PostgreSQL server answers at the address given: exit status 0 or 1. Called by `deploy/test`."""

from __future__ import annotations

import sys

import psycopg


def main(address: str) -> int:
    try:
        psycopg.connect(address, connect_timeout=3).close()
    except psycopg.OperationalError:
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1]))
