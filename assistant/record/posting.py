"""Sending a FHIR Bundle to the server the user names, and to no other."""

from __future__ import annotations

import ipaddress
import urllib.error
import urllib.request
from typing import Any
from urllib.parse import urlsplit

from ..errors import UserError

_ANSWER_WITHIN = 30.0  # seconds; a design choice
_SHOWN = 200  # characters of a server's answer worth showing


class _NoRedirects(urllib.request.HTTPRedirectHandler):
    """A redirect would hand patient data to a server nobody named."""

    def redirect_request(self, *_: Any, **__: Any) -> None:
        return None


def post(url: str, bundle: str) -> str:
    """POST a transaction Bundle to a FHIR base address; gives the server's answer in a few words.

    Raises UserError where the address is none, is not encrypted (http) and not this machine's own, or the
    server does not take the Bundle.
    """
    parts = urlsplit(url)
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise UserError(f"--post: {url!r} is not the address of a FHIR server, such as https://fhir.example/r4")
    here = _is_this_machine(parts.hostname)
    if parts.scheme == "http" and not here:
        raise UserError(f"--post: {url} is not encrypted; patient data is sent by https only")
    handlers: list[Any] = [_NoRedirects()]
    if here:
        handlers.append(urllib.request.ProxyHandler({}))
    request = urllib.request.Request(
        url,
        data=bundle.encode("utf-8"),
        headers={"Content-Type": "application/fhir+json", "Accept": "application/fhir+json"},
        method="POST",
    )
    try:
        with urllib.request.build_opener(*handlers).open(request, timeout=_ANSWER_WITHIN) as answer:
            return f"{answer.status} {answer.reason}"
    except urllib.error.HTTPError as error:
        with error:
            said = " ".join(error.read(4096).decode("utf-8", "replace").split())
        raise UserError(f"{url} did not take it: {error.code} {error.reason}. {said[:_SHOWN]}".rstrip()) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "reason", error)
        raise UserError(f"{url} does not answer: {reason}") from None


def _is_this_machine(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
