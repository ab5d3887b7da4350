"""Stand-ins for the proxies of the QMI and MBIM tools, so that the real tools can be run without a modem.

Each listens on the abstract socket that the tool looks for and answers the few messages it sends. Layouts: the QMUX and MBIM framing of the
public libraries; TLVs of NAS Get Signal Info (0x004F) and Get LTE Cphy CA Info (0x00AC); MBIM 1.0, Signal State. Values are invented.
"""

from __future__ import annotations

import asyncio
import struct
from contextlib import asynccontextmanager

CTL, NAS = 0, 3
SIGNAL_INFO, CA_INFO = 0x004F, 0x00AC
_OK = b"\x02" + struct.pack("<HHH", 4, 0, 0)
_NOT_SUPPORTED = b"\x02" + struct.pack("<HHH", 4, 1, 94)


def _tlv(kind: int, value: bytes) -> bytes:
    return bytes([kind]) + struct.pack("<H", len(value)) + value


QMI_ANSWERS = {
    SIGNAL_INFO: _OK + _tlv(0x14, struct.pack("<bbhh", -61, -11, -92, 134)),  # LTE: RSSI, RSRQ, RSRP, SNR in tenths
    CA_INFO: _OK + _tlv(0x13, struct.pack("<HHIH", 138, 1300, 5, 122)),  # primary cell: identity, channel, width code 5 (20 MHz), E-UTRA 3
}


async def _qmi(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    try:
        while True:
            marker, length, _flags, service, client = struct.unpack("<BHBBB", await reader.readexactly(6))
            assert marker == 1
            body = await reader.readexactly(length - 5)
            if service == CTL:
                txn, message = struct.unpack("<BH", body[1:4])
                tlvs = _OK + (_tlv(0x01, bytes([body[9], 1])) if message == 0x0022 else b"")  # 0x0022: allocate a client
                tlvs += _tlv(0x01, body[9:11]) if message == 0x0023 else b""
                answer = struct.pack("<BBHH", 1, txn, message, len(tlvs)) + tlvs
            else:
                txn, message = struct.unpack("<HH", body[1:5])
                tlvs = QMI_ANSWERS.get(message, _NOT_SUPPORTED) if service == NAS else _NOT_SUPPORTED
                answer = struct.pack("<BHHH", 2, txn, message, len(tlvs)) + tlvs
            writer.write(struct.pack("<BHBBB", 1, 5 + len(answer), 0x80, service, client) + answer)
            await writer.drain()
    except (asyncio.IncompleteReadError, ConnectionError):
        writer.close()


async def _mbim(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
    try:
        while True:
            kind, length, txn = struct.unpack("<III", await reader.readexactly(12))
            body = await reader.readexactly(length - 12)
            if kind in (1, 2):  # open, close
                answer = struct.pack("<I", 0)
            else:
                service, cid = body[8:24], struct.unpack("<I", body[24:28])[0]
                is_signal = service.hex().startswith("a289cc33") and cid == 11
                is_proxy = service.hex().startswith("838cf7fb")
                data = struct.pack("<IIIII", 21, 99, 5, 0, 0) if is_signal else b""
                status = 0 if is_signal or is_proxy else 9  # 9: no such command
                answer = struct.pack("<II", 1, 0) + service + struct.pack("<III", cid, status, len(data)) + data
            writer.write(struct.pack("<III", kind | 0x80000000, 12 + len(answer), txn) + answer)
            await writer.drain()
    except (asyncio.IncompleteReadError, ConnectionError):
        writer.close()


@asynccontextmanager
async def proxy(name: str):
    """Serve as the proxy of that name: qmi-proxy or mbim-proxy. Raises OSError where one already runs."""
    server = await asyncio.start_unix_server({"qmi-proxy": _qmi, "mbim-proxy": _mbim}[name], "\0" + name)
    try:
        yield
    finally:
        server.close()
