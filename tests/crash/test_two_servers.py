"""Two servers before one book on PostgreSQL: one is killed in the midst of the work, and nothing is lost or done twice."""

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from contextlib import closing

import pytest

from pipemetal.shop.book import Book
from pipemetal.shop.roles import Role

pytestmark = pytest.mark.postgres
LOTS, HANDS = 30, 3


class Server:
    """`pipemetal serve` in a process of its own."""

    def __init__(self, book: str) -> None:
        with socket.socket() as probe:
            probe.bind(("127.0.0.1", 0))
            self.port = int(probe.getsockname()[1])
        words = [sys.executable, "-m", "pipemetal", "serve", "--shop", book, "--port", str(self.port)]
        self.process = subprocess.Popen(
            words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env=os.environ | {"PYTHONWARNINGS": "ignore"}
        )
        while not self.well():
            assert self.process.poll() is None
            time.sleep(0.1)

    def well(self) -> bool:
        try:
            return self.ask("GET", "/health")[0] == 200
        except OSError:
            return False

    def ask(self, method: str, path: str, body: object = None, **headers: str) -> tuple[int, str, str]:
        """Status, text and cookie of an answer. Errors: OSError where the server is gone."""
        data = body if isinstance(body, str) or body is None else json.dumps(body)
        kind = "application/x-www-form-urlencoded" if isinstance(body, str) else "application/json"
        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)) as connection:
            try:
                connection.request(method, path, data, {"Content-Type": kind, **headers})
                answer = connection.getresponse()
                return answer.status, answer.read().decode(), answer.headers.get("set-cookie", "").partition(";")[0]
            except http.client.HTTPException as error:
                raise OSError(str(error)) from error

    def kill(self) -> None:
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()


def test_one_of_two_servers_is_killed_and_nothing_is_lost(postgres_url: str) -> None:
    with Book.open(postgres_url, create=True, who="Ada") as book:
        book.people.add("Ada", Role.RUN, pin="1379")
        token = book.tokens.give("Ada", "keep", "three hands").value
        servers = [Server(postgres_url), Server(postgres_url)]
        own = {"Sec-Fetch-Site": "same-origin"}
        _, _, cookie = servers[0].ask("POST", "/enter", "name=Ada&secret=1379", **own)
        assert cookie and servers[1].ask("GET", "/racks", Cookie=cookie)[0] == 200

        sent = threading.Semaphore(0)

        def hand(number: int) -> None:
            """Enters lots at one server, and where that is gone the same again at the other, as a tablet does."""
            for k in range(LOTS):
                lot = {
                    "id": f"T{number}-{k}",
                    "kind": "pig",
                    "mass_kg": 1.0,
                    "composition": "Sn 100",
                    "token": f"{number} {k}",
                }
                at = (number + k) % 2
                while True:
                    try:
                        status, text, _ = servers[at].ask("POST", "/api/1/lots", lot, Authorization=f"Bearer {token}")
                        assert status == 200, text
                        break
                    except OSError:
                        at = 1 - at
                sent.release()

        hands = [threading.Thread(target=hand, args=(number,)) for number in range(HANDS)]
        for one in hands:
            one.start()
        for _ in range(LOTS):  # a third of the work is done
            sent.acquire()
        servers[0].kill()
        for one in hands:
            one.join()
        # who was signed in at the one that is gone goes on at the other
        assert servers[1].ask("GET", "/racks", Cookie=cookie)[0] == 200
        servers[1].kill()
        known, unknown = book.lots.in_stock()
        assert sorted(lot.id for lot in known) == sorted(f"T{n}-{k}" for n in range(HANDS) for k in range(LOTS))
        assert not unknown and sum(lot.mass_kg for lot in known) == pytest.approx(LOTS * HANDS)
        assert book.keeping.doctor().faults == []
        entered = [e for e in book.history.events(limit=500) if e.what == "lot entered"]
        assert len(entered) == LOTS * HANDS
