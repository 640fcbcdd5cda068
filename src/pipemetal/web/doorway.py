"""The way in to the pages: on this machine alone, on the shop's network with a lock, or behind a proxy that holds the lock."""

from __future__ import annotations

import contextlib
import http.client
import ipaddress
import logging
import re
import socket
import ssl
import threading
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pipemetal.errors import InputError

if TYPE_CHECKING:
    import uvicorn
    from starlette.types import ASGIApp, Receive, Scope, Send

    from pipemetal.web.own_certificate import Certificate
    from pipemetal.web.site import Site

__all__ = ["WELL", "Doorway", "is_well", "own_address"]

EVERYWHERE: Final = "0.0.0.0"
HERE: Final = "127.0.0.1"
WELL_S: Final = 5.0
WELL: Final = "is well"
AN_HOUR_S: Final = 3_600.0
MOST_PROXIES: Final = 65_536
_A_NAME: Final = re.compile(r"[A-Za-z0-9]([A-Za-z0-9-]{0,62})(\.[A-Za-z0-9]([A-Za-z0-9-]{0,62}))*")
_LOG: Final = logging.getLogger("pipemetal.pages")


@dataclass
class Doorway:
    """Which addresses are answered and how; `check`, then `open`, then `run` until the program is stopped."""

    port: int
    lan: bool = False
    plain: bool = False
    certificate_path: Path | None = None
    key_path: Path | None = None
    behind: tuple[str, ...] = ()
    names: tuple[str, ...] = ()
    trust_port: int = 0
    _servers: list[uvicorn.Server] = field(default_factory=list)
    _certificate: Certificate | None = None

    @property
    def locked(self) -> bool:
        """Whether this program itself holds the lock."""
        return self.lan and not self.plain and not self.behind

    @property
    def own(self) -> bool:
        """Whether it is the shop's own certificate, which tablets must be told to trust."""
        return self.locked and self.certificate_path is None

    def check(self) -> None:
        """Raises: InputError where the wishes contradict each other, or a port is taken."""
        given = self.certificate_path is not None or self.key_path is not None
        if given and (self.certificate_path is None or self.key_path is None):
            raise InputError(
                "go together",
                field="--certificate, --key",
                allowed="both",
                example="--certificate chain.pem --key key.pem",
            )
        if not self.lan and (given or self.plain or self.names):
            raise InputError("go with --lan", field="--plain, --certificate, --name", example="pipemetal serve --lan")
        if (given and self.plain) or (self.behind and (given or self.plain)):
            raise InputError(
                "is one of three", field="the lock", allowed="--plain, --certificate with --key, or --behind ADDRESS"
            )
        for address in self.behind:
            try:
                network = ipaddress.ip_network(address, strict=False)
            except ValueError:
                network = None
            if network is None or network.num_addresses > MOST_PROXIES or network.network_address.is_unspecified:
                raise InputError(
                    "is no address", field="--behind", value=address, allowed="the proxy's own", example="127.0.0.1"
                )
        for name in self.names:
            if not _A_NAME.fullmatch(name) and not _is_address(name):
                raise InputError(
                    "is no name of a machine",
                    field="--name",
                    value=name,
                    allowed="letters, digits, dots and dashes; or an address",
                    example="pipes.local",
                )
        _refuse_taken(self.port, self.host, "--port")
        if self.own:
            _refuse_taken(self.trust_port, self.host, "--trust-port")

    @property
    def host(self) -> str:
        """Which of this machine's addresses are answered: a proxy on this machine needs no other."""
        near = bool(self.behind) and all(ipaddress.ip_network(a, strict=False).is_loopback for a in self.behind)
        return EVERYWHERE if self.lan and not near else HERE

    def _called(self) -> list[str]:
        """What tablets may call this machine, the likeliest first."""
        host = socket.gethostname().lower()
        own = [own_address(), host, *([] if "." in host else [f"{host}.local"])]
        return [*(name.lower() for name in self.names), *own] if self.lan else []

    def first_address(self) -> str:
        """What a tablet opens first."""
        name = self._called()[0] if self.lan else HERE
        if self.own:
            return f"http://{name}:{self.trust_port}/"
        return f"{'https' if self.locked or self.behind else 'http'}://{name}{'' if self.behind else f':{self.port}'}/"

    def open(self, site: Site) -> Iterator[str]:
        """Make the pages ready to be served; gives what whoever starts them must know, line by line."""
        from pipemetal.web.app import LOOPBACK, create_app
        from pipemetal.web.own_certificate import certificate_for, given_certificate

        called = self._called()
        hosts = LOOPBACK | frozenset(f"[{n}]" if ":" in n else n for n in called)
        # who asks is told by the connection alone, or by the proxy that was named: others could write such a header too
        app: ASGIApp = create_app(site, hosts=hosts)
        more: dict[str, object] = {"proxy_headers": False}
        if self.behind:
            from uvicorn.middleware.proxy_headers import ProxyHeadersMiddleware

            app = OnlyFrom(ProxyHeadersMiddleware(app, list(self.behind)), self.behind)  # type: ignore[arg-type]
        if self.locked:
            if self.certificate_path is not None and self.key_path is not None:
                self._certificate = given_certificate(self.certificate_path, self.key_path)
            else:
                self._certificate = certificate_for([*called, "localhost", HERE, "::1"])
            more |= {"ssl_certfile": self._certificate.chain, "ssl_keyfile": self._certificate.key}
        self._add(app, self.port, more)
        scheme = "https" if self.locked else "http"
        yield f"Open {scheme}://{'localhost' if self.locked else HERE}:{self.port}/ on this machine. Ctrl+C stops."
        if self._certificate is not None:
            left_out = self._certificate.left_out
            good = next((name for name in called if name not in left_out), called[0])
            yield f"In the shop's network, for the people of the book: https://{good}:{self.port}/"
        elif self.behind:
            yield f"Behind the proxy at {', '.join(self.behind)}: {self.first_address()}"
        elif self.lan:
            yield f"In the shop's network: {self.first_address()} for the people of the book. Not encrypted."
        if self.own and self._certificate is not None:
            from pipemetal.web.trust import create_trust_app

            trust = create_trust_app(self._certificate, site.shop_name, self.port, hosts)
            self._add(trust, self.trust_port, {"proxy_headers": False})
            yield f"New tablets first: {self.first_address()} tells how they trust the shop's own certificate."
            yield f"Its SHA-256: {self._certificate.fingerprint}"
            for name in self._certificate.left_out:
                yield (
                    f"Not in the certificate, whose root was made before this name: {name}. Take root.pem away for a new root."
                )

    def _add(self, app: object, port: int, more: dict[str, object]) -> None:
        import uvicorn

        config = uvicorn.Config(app, host=self.host, port=port, log_config=None, server_header=False, **more)  # type: ignore[arg-type]
        self._servers.append(uvicorn.Server(config))

    def _stamps(self) -> tuple[float, ...]:
        """When the files of the certificate were written."""
        held = self._certificate
        return tuple(file.stat().st_mtime for file in (held.chain, held.key) if file.exists()) if held else ()

    def run(self) -> None:
        """Serve until the program is stopped. The page for new tablets runs beside the others."""
        pages, *beside = self._servers
        for server in beside:
            threading.Thread(target=server.run, daemon=True).start()
        if self._certificate is not None:
            if not pages.config.loaded:
                pages.config.load()
            self._renew_hourly(pages.config.ssl)
        pages.run()
        for server in beside:
            server.should_exit = True

    def _renew_hourly(self, context: ssl.SSLContext | None) -> None:
        """Take up a certificate that was made anew, or put in place, without starting again: connections to come are given it."""
        seen = self._stamps()

        def renew() -> None:
            from pipemetal.errors import FileFormatError
            from pipemetal.web.own_certificate import certificate_for

            held = self._certificate
            if held is None or context is None:
                return
            try:
                if self.own:
                    certificate_for([*self._called(), "localhost", HERE, "::1"])
                if self._stamps() != seen:
                    context.load_cert_chain(held.chain, held.key)
                    _LOG.info("a new certificate is in use")
            except (FileFormatError, OSError) as error:  # what is in use stays
                _LOG.warning("a new certificate cannot be used: %s", error)
            self._renew_hourly(context)

        later = threading.Timer(AN_HOUR_S, renew)
        later.daemon = True
        later.start()


class OnlyFrom:
    """Lets nobody but the proxy in: the way from it to here has no lock, and what it says of who asks is believed."""

    def __init__(self, app: ASGIApp, addresses: Sequence[str]) -> None:
        self.app = app
        self.networks = [ipaddress.ip_network(address, strict=False) for address in addresses]

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer the proxy, and this machine itself where it asks whether the server is well."""
        if scope["type"] == "http":
            peer = ipaddress.ip_address((scope.get("client") or ("0.0.0.0", 0))[0])
            well = peer.is_loopback and scope["path"] == "/health"
            if not well and not any(peer in network for network in self.networks):
                kind = [(b"content-type", b"text/plain; charset=utf-8")]
                await send({"type": "http.response.start", "status": http.HTTPStatus.FORBIDDEN, "headers": kind})
                await send({"type": "http.response.body", "body": b"This server answers its proxy alone."})
                return
        await self.app(scope, receive, send)


def _is_address(name: str) -> bool:
    try:
        ipaddress.ip_address(name.strip("[]"))
    except ValueError:
        return False
    return True


def _refuse_taken(port: int, host: str, option: str) -> None:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            raise InputError("is taken by another program", field=option, value=port) from None


def is_well(port: int) -> str:
    """How a server on this machine is: "is well", "cannot read its book", "does not answer"; its certificate is not looked at."""
    context = ssl.create_default_context()
    context.check_hostname, context.verify_mode = False, ssl.CERT_NONE
    for connection in (
        http.client.HTTPSConnection(HERE, port, timeout=WELL_S, context=context),
        http.client.HTTPConnection(HERE, port, timeout=WELL_S),
    ):
        with contextlib.closing(connection), contextlib.suppress(OSError, http.client.HTTPException):
            connection.request("GET", "/health")
            answer = connection.getresponse()
            if answer.status == http.HTTPStatus.OK and answer.read(100) == b"ok":
                return WELL
            return "cannot read its book"
    return "does not answer"


def own_address() -> str:
    """The address that this machine has in its network; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError:
            return HERE
