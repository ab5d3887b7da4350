"""Push what a site has kept to its hub: batch by batch, each acknowledged before the next, over HTTPS.

Nothing is lost if this stops anywhere: a batch stays under way until the hub has said that it holds it, and is delivered again to the
byte. Failures of the way (no connection, a server that is starting, too many requests) are waited out with growing, jittered pauses;
refusals are not repeated: a refused record is set aside with its reason, and the rest goes on.
"""

from __future__ import annotations

import hashlib
import ssl
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from random import Random
from typing import TYPE_CHECKING, Final, Protocol

from bandwright.errors import HubError
from bandwright.outlets.hubwire import BATCHES, CONTENT_TYPE, HubLink, answer_from, authorization
from bandwright.ports import Clock
from bandwright.words.fleet import Batch, HubAnswer, Pushed

if TYPE_CHECKING:
    import httpx2

__all__ = ["Box", "Patience", "Under", "push", "wait_s"]

_CONNECT_S: Final = 20.0
_ANSWER_S: Final = 60.0


class Under(Protocol):
    """A batch under way."""

    @property
    def batch(self) -> Batch:
        """What it holds."""
        ...

    @property
    def body(self) -> bytes:
        """Its bytes, the same at every delivery."""
        ...


class Box(Protocol):
    """The outbox of a workspace."""

    def waiting(self) -> int:
        """Return how many records are not acknowledged."""
        ...

    def next_batch(self, now: datetime) -> Under | None:
        """Return what to deliver next."""
        ...

    def acknowledged(self, batch: Batch) -> None:
        """The hub has it."""
        ...

    def set_aside(self, batch: Batch, refused: dict[int, str]) -> None:
        """The hub will not take these records."""
        ...

    def smaller(self, batch: Batch) -> bool:
        """Make it anew, smaller; False where that cannot be."""
        ...

    def expects(self, next_sequence: int) -> None:
        """Go on from the number that the hub expects."""
        ...


@dataclass(frozen=True, slots=True, kw_only=True)
class Patience:
    """How failures of the way are waited out. first_s doubles to most_s at most; after `tries` in a row the push ends, and the next goes on."""

    first_s: float = 2.0
    most_s: float = 300.0
    tries: int = 6


@dataclass(frozen=True, slots=True)
class _Failed:
    """The way failed: why, and how long the other end asks us to wait."""

    why: str
    after_s: float = 0.0


def wait_s(attempt: int, patience: Patience, rng: Random, *, asked_s: float = 0.0) -> float:
    """Return the pause before a try. attempt: 1 for the first repetition. Between half and the whole of the doubled time, and no less than was asked for, up to an hour."""
    whole = min(patience.most_s, patience.first_s * 2.0 ** min(attempt - 1, 30))
    return max(whole * (0.5 + 0.5 * rng.random()), min(asked_s, 3600.0))


async def push(box: Box, link: HubLink, *, clock: Clock, rng: Random, patience: Patience | None = None, listener: Callable[[Pushed], None] | None = None) -> Pushed:
    """Deliver until everything is acknowledged, or the way is blocked, or the hub will not have us. Raises StoreError, never for the network."""
    import httpx2

    patience = patience or Patience()
    batches = kept = had = aside = failures = moved = 0
    why: list[str] = []
    stopped = ""
    try:
        context = await _tls(link)
    except HubError as error:
        return Pushed(waiting=box.waiting(), stopped=str(error))
    timeout = httpx2.Timeout(_ANSWER_S, connect=_CONNECT_S)
    async with httpx2.AsyncClient(verify=context, timeout=timeout, follow_redirects=False, headers={"user-agent": "bandwright"}) as client:
        while (under := box.next_batch(clock.now())) is not None:
            said = await _deliver(client, link, under.body)
            if isinstance(said, _Failed):
                failures += 1
                if failures >= patience.tries:
                    stopped = f"the hub cannot be reached ({said.why}); the next push goes on from here"
                    break
                await clock.sleep(wait_s(failures, patience, rng, asked_s=said.after_s))
                continue
            failures = 0
            if isinstance(said, str):
                stopped = said
                break
            if said is None:  # too large
                if not box.smaller(under.batch):
                    box.set_aside(under.batch, {0: "larger than the hub takes"})
                    aside += 1
                continue
            if said.kind != "refused":
                box.acknowledged(under.batch)
                batches, kept, had = batches + 1, kept + said.kept, had + said.had
            elif said.refused:
                box.set_aside(under.batch, dict(said.refused))
                aside += len(said.refused)
                why.extend(reason for _, reason in said.refused)
            elif said.next_sequence != under.batch.sequence and moved < 2:
                moved += 1
                box.expects(said.next_sequence)
            else:
                stopped = f"the hub refuses batch {under.batch.sequence}: {said.reason}"
                break
            if listener is not None:
                listener(Pushed(batches=batches, kept=kept, had=had, set_aside=aside, waiting=box.waiting()))
    return Pushed(batches=batches, kept=kept, had=had, set_aside=aside, waiting=box.waiting(), stopped=stopped, why=tuple(dict.fromkeys(why)))


async def _deliver(client: httpx2.AsyncClient, link: HubLink, body: bytes) -> HubAnswer | _Failed | str | None:
    """Return the hub's answer, a failure of the way, a sentence that ends the push, or None for "too large"."""
    import httpx2

    headers = {"authorization": authorization(link, method="POST", path=BATCHES, body=body), "content-type": CONTENT_TYPE}
    try:
        got = await client.post(link.address + BATCHES, content=body, headers=headers)
    except httpx2.TimeoutException:
        return _Failed("no answer in time")
    except (httpx2.HTTPError, httpx2.InvalidURL, OSError) as error:
        return _Failed(str(error)[:120] or type(error).__name__)
    if got.status_code == 413:
        return None
    if got.status_code in {401, 403}:
        return "the hub does not know this site's credential any more; ask whoever runs it for a new link"
    try:
        answer = answer_from(got.json())
    except ValueError:
        answer = None
    if answer is not None and got.status_code in {200, 409, 422}:
        return answer
    asked = got.headers.get("retry-after", "")
    return _Failed(f"it answered {got.status_code}", float(asked) if asked.isdecimal() else 0.0)


async def _tls(link: HubLink) -> ssl.SSLContext:
    """Return how to trust the hub: by the system's authorities, or by nothing but the certificate that the link names. Raises HubError."""
    import asyncio
    from urllib.parse import urlsplit

    if link.certificate_sha256 is None or link.address.startswith("http:"):
        return ssl.create_default_context()
    parts = urlsplit(link.address)
    where = (parts.hostname or "", parts.port or 443)
    try:
        pem = await asyncio.to_thread(ssl.get_server_certificate, where, timeout=_CONNECT_S)
    except OSError as error:
        raise HubError("the hub cannot be reached", given=str(error)[:120], todo="The next push goes on from here") from None
    if hashlib.sha256(ssl.PEM_cert_to_DER_cert(pem)).hexdigest() != link.certificate_sha256:
        raise HubError("something else than the hub answers at its address: the certificate is another", todo="Ask whoever runs it; nothing was sent")
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
    context.check_hostname = False  # the certificate itself is what we know it by
    context.load_verify_locations(cadata=pem)
    return context
