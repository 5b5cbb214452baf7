"""A browser without a screen, behind the proxy: it may send each request to another host."""

import http.client
import secrets
import string
from dataclasses import dataclass, field
from http.cookies import SimpleCookie
from urllib.parse import urlencode, urlsplit

from tests.drills.rig import ADDRESSES, NAME, PORT

# The cookie is called the second over https alone; both are sent.
CSRF_COOKIES = ("csrftoken", "__Host-csrftoken")


class Unreached(Exception):
    """No answer came, or none that says what became of the request."""


@dataclass(frozen=True)
class Answer:
    status: int
    location: str
    body: bytes

    @property
    def text(self) -> str:
        return self.body.decode(errors="replace")

    @property
    def path(self) -> str:
        """Where a redirect leads, without what stands before the path."""
        parts = urlsplit(self.location)
        return parts.path + (f"?{parts.query}" if parts.query else "")


@dataclass
class Browser:
    """Cookies of one person. ``seen_as``: the address that the proxy says the request came from."""

    seen_as: str = "192.0.2.7"
    seconds: float = 12
    cookies: dict[str, str] = field(default_factory=dict)

    def get(self, host: str, path: str) -> Answer:
        return self._ask(host, "GET", path, b"", {})

    def post(
        self, host: str, path: str, typed: dict[str, object], file: tuple[str, str, bytes] | None = None
    ) -> Answer:
        """``file``: the field's name, the file's name and what is in it."""
        # The token is any text that stands in the cookie and in the form alike.
        letters = string.ascii_letters + string.digits
        if CSRF_COOKIES[0] not in self.cookies:
            self._keep(CSRF_COOKIES[0], "".join(secrets.choice(letters) for _ in range(32)))
        token = self.cookies[CSRF_COOKIES[0]]
        fields = {"csrfmiddlewaretoken": token, **typed}
        if file is None:
            kind, body = "application/x-www-form-urlencoded", urlencode(fields, doseq=True).encode()
        else:
            kind, body = _with_file(fields, *file)
        return self._ask(host, "POST", path, body, {"Content-Type": kind, "Origin": f"https://{NAME}"})

    def sign_in(self, host: str, username: str, password: str) -> Answer:
        return self.post(host, "/sign-in/", {"username": username, "password": password})

    def _ask(self, host: str, method: str, path: str, body: bytes, more: dict[str, str]) -> Answer:
        headers = {
            "Host": NAME,
            "X-Forwarded-Proto": "https",
            "X-Forwarded-For": self.seen_as,
            "Cookie": "; ".join(f"{name}={value}" for name, value in self.cookies.items()),
            **more,
        }
        line = http.client.HTTPConnection(ADDRESSES[host], PORT, timeout=self.seconds)
        try:
            line.request(method, path, body, headers)
            response = line.getresponse()
            answer = Answer(response.status, response.headers.get("Location", ""), response.read())
            for kept in response.headers.get_all("Set-Cookie", []):
                for name, morsel in SimpleCookie(kept).items():
                    self._keep(name, morsel.value)
        except (OSError, http.client.HTTPException) as error:
            raise Unreached(f"{method} {path} on {host}: {type(error).__name__} {error}") from error
        finally:
            line.close()
        return answer

    def _keep(self, name: str, value: str) -> None:
        for kept in CSRF_COOKIES if name in CSRF_COOKIES else (name,):
            self.cookies[kept] = value


def _with_file(fields: dict[str, object], name: str, file_name: str, content: bytes) -> tuple[str, bytes]:
    edge = secrets.token_hex(16)
    parts = [
        f'--{edge}\r\nContent-Disposition: form-data; name="{field}"\r\n\r\n{value}\r\n'.encode()
        for field, value in fields.items()
    ]
    head = f'Content-Disposition: form-data; name="{name}"; filename="{file_name}"'
    parts.append(f"--{edge}\r\n{head}\r\nContent-Type: application/octet-stream\r\n\r\n".encode())
    return f"multipart/form-data; boundary={edge}", b"".join(
        [*parts, content, f"\r\n--{edge}--\r\n".encode()]
    )
