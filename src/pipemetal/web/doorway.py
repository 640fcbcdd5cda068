"""The way in to the pages: on this machine alone, on the shop's network with a lock, or behind a proxy that holds the lock."""

from __future__ import annotations

import contextlib
import http.client
import ipaddress
import socket
import ssl
import threading
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Final

from pipemetal.errors import InputError

if TYPE_CHECKING:
    import uvicorn

    from pipemetal.web.own_certificate import Certificate
    from pipemetal.web.site import Site

__all__ = ["Doorway", "is_well", "own_address"]

EVERYWHERE: Final = "0.0.0.0"
HERE: Final = "127.0.0.1"
WELL_S: Final = 5.0
A_DAY_S: Final = 86_400.0


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
                ipaddress.ip_network(address, strict=False)
            except ValueError:
                raise InputError(
                    "is no address", field="--behind", value=address, allowed="the proxy's own", example="127.0.0.1"
                ) from None
        _refuse_taken(self.port, self.host, "--port")
        if self.own:
            _refuse_taken(self.trust_port, self.host, "--trust-port")

    @property
    def host(self) -> str:
        """Which of this machine's addresses are answered."""
        return EVERYWHERE if self.lan else HERE

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
        more: dict[str, object] = {"proxy_headers": bool(self.behind)}
        if self.behind:
            more["forwarded_allow_ips"] = list(self.behind)
        if self.locked:
            if self.certificate_path is not None and self.key_path is not None:
                self._certificate = given_certificate(self.certificate_path, self.key_path)
            else:
                self._certificate = certificate_for([*called, "localhost", HERE, "::1"])
            more |= {"ssl_certfile": self._certificate.chain, "ssl_keyfile": self._certificate.key}
        self._add(create_app(site, hosts=hosts), self.port, more)
        scheme = "https" if self.locked else "http"
        yield f"Open {scheme}://{'localhost' if self.locked else HERE}:{self.port}/ on this machine. Ctrl+C stops."
        if self._certificate is not None:
            yield f"In the shop's network, for the people of the book: https://{called[0]}:{self.port}/"
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

    def run(self) -> None:
        """Serve until the program is stopped. The page for new tablets runs beside the others."""
        pages, *beside = self._servers
        for server in beside:
            threading.Thread(target=server.run, daemon=True).start()
        if self._certificate is not None:
            if not pages.config.loaded:
                pages.config.load()
            self._renew_daily(pages.config.ssl)
        pages.run()
        for server in beside:
            server.should_exit = True

    def _renew_daily(self, context: ssl.SSLContext | None) -> None:
        """Take up a certificate that was made anew, without starting again: connections to come are given it."""

        def renew() -> None:
            from pipemetal.errors import FileFormatError
            from pipemetal.web.own_certificate import certificate_for

            held = self._certificate
            if held is None or context is None:
                return
            try:
                if self.own:
                    certificate_for([*self._called(), "localhost", HERE, "::1"])
                context.load_cert_chain(held.chain, held.key)
            except (FileFormatError, OSError):  # what is in use stays
                pass
            self._renew_daily(context)

        later = threading.Timer(A_DAY_S, renew)
        later.daemon = True
        later.start()


def _refuse_taken(port: int, host: str, option: str) -> None:
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            raise InputError("is taken by another program", field=option, value=port) from None


def is_well(port: int) -> bool:
    """Whether a server on this machine can read its book; its certificate is not looked at, the machine is known."""
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
                return True
    return False


def own_address() -> str:
    """The address that this machine has in its network; nothing is sent to find it."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as probe:
        try:
            probe.connect(("192.0.2.1", 9))
            return str(probe.getsockname()[0])
        except OSError:
            return HERE
