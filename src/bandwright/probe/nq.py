"""The far end's server for responsiveness: an endless download and one octet, over HTTP/2, where its owner opened it.

It serves below a path that only a proved session is told and that ends with the session, or to everybody where its owner made it
public; never more than its own limit of octets. It reads request headers as our near end writes them (plain literals).
Source: draft-ietf-ippm-responsiveness-09, section 7 (the JSON object and its members).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import secrets
import socket
from collections.abc import Callable
from typing import Any

from bandwright.probe import http2
from bandwright.probe.sockets import IS_LINUX, TCP_NOTSENT_LOWAT

__all__ = ["Responder"]

_CHUNK = 16384
_REQUESTS = 4096  # on one connection


class Responder:
    """Serves connections that chose HTTP/2. left: octets it may still send; spent: told what was sent."""

    def __init__(self, *, is_public: bool, left: Callable[[], float], spent: Callable[[int], None]) -> None:
        self._is_public, self._left, self._spent = is_public, left, spent
        self._paths: set[str] = set()
        self._filler = secrets.token_bytes(_CHUNK)

    def open_path(self) -> str:
        """Return a path below which is served from now on."""
        path = "/" + secrets.token_urlsafe(16)
        self._paths.add(path)
        return path

    def close_path(self, path: str) -> None:
        """Serve nothing below it any more."""
        self._paths.discard(path)

    def _what(self, path: str) -> str | None:
        """Return "nq", "large" or "small", or None for what is not served."""
        if self._is_public and path in {"/.well-known/nq", "/nq/large", "/nq/small"}:
            return path.rsplit("/", 1)[1]
        base, _, name = path.rpartition("/")
        return name if base in self._paths and name in {"nq", "large", "small"} else None

    async def serve(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        """Serve one connection until it ends, asks for what is not served, or goes on for 60 s."""
        sock = writer.get_extra_info("socket")
        if IS_LINUX and sock is not None:
            sock.setsockopt(socket.IPPROTO_TCP, TCP_NOTSENT_LOWAT, _CHUNK)  # what is queued here would be measured as the line
        writer.transport.set_write_buffer_limits(high=_CHUNK)
        downloads: list[asyncio.Task[None]] = []
        with contextlib.suppress(OSError, EOFError, TimeoutError, http2.Http2Error):
            async with asyncio.timeout(60):
                if await reader.readexactly(len(http2.PREFACE)) != http2.PREFACE:
                    return
                writer.write(http2.settings())
                cutter, requests = http2.FrameCutter(longest=_CHUNK), 0
                while requests < _REQUESTS and (data := await reader.read(65536)):
                    for frame in cutter.feed(data):
                        requests += frame.kind == http2.HEADERS
                        if not self._answer(frame, writer, downloads):
                            return
                    await asyncio.sleep(0)
        for task in downloads:
            task.cancel()
        await asyncio.gather(*downloads, return_exceptions=True)
        writer.transport.abort()

    def _answer(self, frame: http2.Frame, writer: asyncio.StreamWriter, downloads: list[asyncio.Task[None]]) -> bool:
        """Answer a frame; return whether the connection may go on."""
        if frame.kind == http2.SETTINGS and not frame.flags & 1:
            writer.write(http2.settings(ack=True))
        elif frame.kind == http2.PING and not frame.flags & 1:
            writer.write(http2.pack_frame(http2.PING, 1, 0, frame.payload))
        elif frame.kind == http2.HEADERS:
            path = http2.path_of(frame)
            what = self._what(path) if path is not None else None
            if path is None or what is None or self._left() <= 0 or (what == "large" and downloads):
                return False
            if what == "large":
                downloads.append(asyncio.ensure_future(self._pour(frame.stream, writer)))
            else:
                body = b"x" if what == "small" else self._object(path)
                head = http2.response_headers(stream=frame.stream, length=len(body), kind="application/json" if what == "nq" else "application/octet-stream")
                writer.write(head + http2.pack_frame(http2.DATA, http2.END_STREAM, frame.stream, body))
        return frame.kind != http2.GOAWAY

    def _object(self, path: str) -> bytes:
        base = "/nq" if path == "/.well-known/nq" else path.rpartition("/")[0]
        document: dict[str, Any] = {
            "version": 1,
            "urls": {"large_download_url": base + "/large", "small_download_url": base + "/small", "upload_url": base + "/none"},
        }
        return json.dumps(document).encode()

    async def _pour(self, stream: int, writer: asyncio.StreamWriter) -> None:
        """Send for ever, as far as the transport takes it; the near end's window is as large as HTTP/2 allows."""
        writer.write(http2.response_headers(stream=stream))
        frame = http2.pack_frame(http2.DATA, 0, stream, self._filler)
        with contextlib.suppress(OSError):
            while self._left() > 0:
                writer.write(frame)
                self._spent(_CHUNK)
                await writer.drain()
                await asyncio.sleep(0)
        writer.transport.abort()
