"""Starts the page with the stub reader: ``python -m tests.review.serve FOLDER GUIDE CLAIM [READ_S]``."""

import sys
from pathlib import Path

from pipelines.review import desk, server
from tests.review import stub


def main() -> None:
    folder, guide, claim = sys.argv[1:4]
    if len(sys.argv) > 4:
        desk.READ_S = float(sys.argv[4])
    server.run(
        Path(folder),
        guide=guide or None,
        claim=claim or None,
        default_guide="verity",
        host="127.0.0.1",
        port=0,
        browser=False,
        on_link=lambda address: print(address, flush=True),
        serve=stub.serve,
    )


if __name__ == "__main__":
    main()
