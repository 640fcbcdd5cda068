"""The switches and the patience of every browser, and a server of the pages beside it."""

import os
import socket
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

from pipemetal.web.site import Site

ARGUMENTS = [
    "--headless",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]
PATIENCE_MS = int(os.environ.get("PATIENCE_MS", "180000"))
"""So long a page may take on a machine that is busy with other work; nothing is measured by it. Longer, and one missing
button would outlast the checks."""


@contextmanager
def served(site: Site) -> Iterator[str]:
    """The pages of a site on a port of their own; gives their address."""
    import uvicorn

    from pipemetal.web.app import create_app

    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    running = uvicorn.Server(uvicorn.Config(create_app(site), port=port, log_level="warning", ws="none"))
    thread = threading.Thread(target=running.run)
    thread.start()
    while not running.started:
        time.sleep(0.02)
    yield f"http://127.0.0.1:{port}"
    running.should_exit = True
    thread.join()
