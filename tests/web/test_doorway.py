"""The way in: this machine alone, the shop's network with a lock of its own, files given, a proxy."""

import contextlib
import datetime as dt
import http.client
import socket
import ssl
import stat
import threading
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from click.testing import CliRunner
from cryptography import x509
from starlette.testclient import TestClient
from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware

from pipemetal.cli.main import cli
from pipemetal.errors import FileFormatError, InputError
from pipemetal.shop.book import Book
from pipemetal.web.doorway import Doorway, OnlyFrom, own_address
from pipemetal.web.own_certificate import certificate_for, given_certificate
from pipemetal.web.site import Site
from pipemetal.web.trust import ROOT_PATH

NAMES = ["192.168.7.5", "localhost", "127.0.0.1", "::1", socket.gethostname().lower()]


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def leaf(file: Path) -> x509.Certificate:
    return x509.load_pem_x509_certificates(file.read_bytes())[0]


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with Book.open(tmp_path / "shop.sqlite", create=True, who="Ada") as book:
        book.people.add("Ada", "run", pin="1379")
        yield Site(book, "Tinbrook")


@contextlib.contextmanager
def served(way: Doorway, site: Site) -> Iterator[list[str]]:
    way.check()
    lines = list(way.open(site))
    running = threading.Thread(target=way.run, daemon=True)
    running.start()
    try:
        while not all(server.started for server in way._servers):
            assert running.is_alive()
            time.sleep(0.02)
        yield lines
    finally:
        for server in way._servers:
            server.should_exit = True
        running.join(30)


def test_the_certificate_is_made_once_and_kept_private(tmp_path: Path) -> None:
    first = certificate_for(NAMES, tmp_path / "tls")
    again = certificate_for(NAMES, tmp_path / "tls")
    assert first == again and not first.left_out
    assert leaf(first.chain) == leaf(again.chain)
    for file in ("root.pem", "machine.pem"):
        assert stat.S_IMODE((tmp_path / "tls" / file).stat().st_mode) == 0o600
    assert stat.S_IMODE((tmp_path / "tls").stat().st_mode) == 0o700
    assert first.root is not None and b"PRIVATE" not in first.root


def test_it_is_made_anew_before_it_ends_and_for_another_name_under_the_same_root(tmp_path: Path) -> None:
    now = dt.datetime.now(dt.UTC)
    first = certificate_for(NAMES, tmp_path, now)
    numbers = [leaf(first.chain).serial_number]
    for when, names in ((now + dt.timedelta(days=300), NAMES), (now + dt.timedelta(days=365), NAMES)):
        certificate_for(names, tmp_path, when)
        numbers.append(leaf(first.chain).serial_number)
    assert numbers[0] == numbers[1] != numbers[2]
    other = certificate_for([*NAMES, "10.0.0.9"], tmp_path, now + dt.timedelta(days=365))
    assert leaf(first.chain).serial_number != numbers[2] and other.root == first.root


def test_the_root_vouches_for_what_the_machine_was_called_and_private_names_alone(tmp_path: Path) -> None:
    at_first = certificate_for(["203.0.113.8", "pipes.example"], tmp_path)
    assert at_first.left_out == ()
    made = certificate_for(["pay.example", "203.0.113.9", "bench.local", "192.168.1.2"], tmp_path)
    assert made.left_out == ("203.0.113.9", "pay.example")
    told = leaf(made.chain).extensions.get_extension_for_class(x509.SubjectAlternativeName).value
    assert told.get_values_for_type(x509.DNSName) == ["bench.local"]


def test_two_programs_that_begin_at_once_use_one_root(tmp_path: Path) -> None:
    roots: list[bytes | None] = []
    at_once = [threading.Thread(target=lambda: roots.append(certificate_for(NAMES, tmp_path).root)) for _ in range(6)]
    for thread in at_once:
        thread.start()
    for thread in at_once:
        thread.join()
    assert len(roots) == 6 and len(set(roots)) == 1


def test_what_is_no_certificate_of_ours_is_not_written_over(tmp_path: Path) -> None:
    (tmp_path / "root.pem").write_text("mine")
    with pytest.raises(FileFormatError, match="is no certificate of this program"):
        certificate_for(NAMES, tmp_path)
    assert (tmp_path / "root.pem").read_text() == "mine"


def test_files_given_are_read_and_key_and_certificate_must_belong_together(tmp_path: Path) -> None:
    a, b = certificate_for(NAMES, tmp_path / "a"), certificate_for(NAMES, tmp_path / "b")
    assert given_certificate(a.chain, a.key).root is None
    with pytest.raises(FileFormatError, match="is not the key of this certificate"):
        given_certificate(a.chain, b.key)
    with pytest.raises(FileFormatError, match="cannot be read"):
        given_certificate(tmp_path / "none.pem", a.key)
    (tmp_path / "words.pem").write_text("words")
    with pytest.raises(FileFormatError, match="is no certificate with its key"):
        given_certificate(tmp_path / "words.pem", a.key)


def test_the_pages_are_locked_and_new_tablets_learn_to_trust(
    tmp_path: Path, site: Site, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("PIPEMETAL_TLS", str(tmp_path / "tls"))
    way = Doorway(free_port(), lan=True, trust_port=free_port())
    with contextlib.ExitStack() as held, served(way, site) as lines:
        plain = held.enter_context(closing(http.client.HTTPConnection("127.0.0.1", way.trust_port, timeout=60)))
        plain.request("GET", "/", headers={"Accept-Language": "de"})
        page = plain.getresponse().read().decode()
        told = next(line.split()[-1] for line in lines if "SHA-256" in line).split(":")
        assert all(":".join(told[k : k + 4]) in page for k in range(0, 32, 4))
        assert f"https://127.0.0.1:{way.port}/" in page and 'lang="de"' in page
        plain.request("GET", "/racks")
        answer = plain.getresponse()
        answer.read()
        assert (answer.status, answer.headers["location"]) == (307, f"https://127.0.0.1:{way.port}/")
        plain.request("GET", "/", headers={"Host": "evil.example"})
        answer = plain.getresponse()
        answer.read()
        assert answer.status == 400
        plain.request("GET", ROOT_PATH)
        root = plain.getresponse().read().decode()
        trusting = ssl.create_default_context(cadata=root)
        locked = held.enter_context(closing(http.client.HTTPSConnection("127.0.0.1", way.port, context=trusting)))
        locked.request("GET", "/enter")
        assert locked.getresponse().read()
        with pytest.raises(ssl.SSLCertVerificationError), socket.create_connection(("127.0.0.1", way.port)) as stranger:
            ssl.create_default_context().wrap_socket(stranger, server_hostname="127.0.0.1")
        form = "name=Ada&secret=1379"
        headers = {"Content-Type": "application/x-www-form-urlencoded", "Sec-Fetch-Site": "same-origin"}
        locked.request("POST", "/enter", form, headers)
        answer = locked.getresponse()
        answer.read()
        assert answer.status == 303 and "Secure" in answer.headers["set-cookie"]


def test_behind_a_proxy_its_word_alone_says_who_asks(site: Site) -> None:
    way = Doorway(free_port(), lan=True, behind=("127.0.0.1",), names=("pipes.example",))
    assert way.host == "127.0.0.1"  # a proxy on this machine needs no other address
    lines = list(way.open(site))
    assert "https://pipes.example/" in lines[1]
    (server,) = way._servers
    assert isinstance(server.config.app, OnlyFrom)
    with TestClient(server.config.app, base_url="http://pipes.example", client=("127.0.0.1", 5)) as proxy:
        told = {"x-forwarded-proto": "https", "sec-fetch-site": "same-origin"}
        came = proxy.post("/enter", data={"name": "Ada", "secret": "1379"}, headers=told, follow_redirects=False)
        assert came.status_code == 303 and "Secure" in came.headers["set-cookie"]


def test_nobody_but_the_proxy_is_answered(site: Site) -> None:
    way = Doorway(free_port(), lan=True, behind=("10.0.0.7",), names=("pipes.example",))
    assert way.host == "0.0.0.0"
    list(way.open(site))
    app = way._servers[0].config.app
    for address, status in (("10.0.0.8", 403), ("127.0.0.1", 403), ("10.0.0.7", 200)):
        with TestClient(app, base_url="http://pipes.example", client=(address, 5)) as one:
            assert one.get("/enter").status_code == status
    with TestClient(app, base_url="http://127.0.0.1", client=("127.0.0.1", 5)) as here:
        assert here.get("/health").status_code == 200


def test_a_certificate_put_in_place_is_taken_up(tmp_path: Path, site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("pipemetal.web.doorway.AN_HOUR_S", 0.2)
    a, b = certificate_for(NAMES, tmp_path / "a"), certificate_for(NAMES, tmp_path / "b")
    shown, roots = tmp_path / "shown.pem", [leaf(one.chain).serial_number for one in (a, b)]
    shown.write_bytes(a.chain.read_bytes())
    way = Doorway(free_port(), lan=True, certificate_path=shown, key_path=shown)

    def number() -> int:
        return x509.load_pem_x509_certificate(
            ssl.get_server_certificate(("127.0.0.1", way.port)).encode()
        ).serial_number

    with served(way, site):
        assert number() == roots[0]
        shown.write_bytes(b.chain.read_bytes())
        while number() != roots[1]:
            time.sleep(0.05)


def test_a_certificate_that_has_ended_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    long_ago = dt.datetime.now(dt.UTC) - dt.timedelta(days=600)
    old = certificate_for(NAMES, tmp_path, long_ago)
    with pytest.raises(FileFormatError, match="ended on"):
        given_certificate(old.chain, old.key)


@pytest.mark.parametrize("way", [Doorway(0), Doorway(0, lan=True, plain=True)])
def test_without_a_proxy_the_connection_alone_says_who_asks(way: Doorway, site: Site) -> None:
    list(way.open(site))
    way._servers[0].config.load()
    assert not isinstance(way._servers[0].config.loaded_app, ProxyHeadersMiddleware)
    assert way._servers[0].config.ssl is None


@pytest.mark.parametrize(
    ("way", "said"),
    [
        (Doorway(0, plain=True), "go with --lan"),
        (Doorway(0, lan=True, certificate_path=Path("c.pem")), "go together"),
        (Doorway(0, lan=True, plain=True, behind=("127.0.0.1",)), "is one of three"),
        (Doorway(0, lan=True, behind=("proxy",)), "is no address"),
        (Doorway(0, lan=True, behind=("0.0.0.0/0",)), "is no address"),
        (Doorway(0, lan=True, behind=("0.0.0.0",)), "is no address"),
        (Doorway(0, lan=True, names=("bad/name",)), "is no name of a machine"),
    ],
)
def test_wishes_that_contradict_each_other_are_refused(way: Doorway, said: str) -> None:
    with pytest.raises(InputError, match=said):
        way.check()


def test_a_port_that_is_taken_is_named(tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        port = other.getsockname()[1]
        with pytest.raises(InputError, match="is taken by another program"):
            Doorway(port).check()


def test_the_network_needs_people(tmp_path: Path) -> None:
    with Book.open(tmp_path / "shop.sqlite", create=True):
        pass
    asked = ["serve", "--shop", str(tmp_path / "shop.sqlite"), "--lan", "--port", str(free_port())]
    with pytest.raises(InputError, match="needs people"):
        CliRunner().invoke(cli, [*asked, "--trust-port", str(free_port())], catch_exceptions=False)


def test_this_machine_has_an_address() -> None:
    socket.inet_aton(own_address())
