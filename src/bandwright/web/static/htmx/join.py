"""Join htmx and its server-sent-events extension into the one file that the pages load.

Two files, each with `defer`, failed to connect on some loads: htmx started before the extension had registered. One file cannot.
Get the package of the version below with an ordinary client (`npm pack htmx.org@4.0.1`), unpack it, and run

    python3 join.py PACKAGE

which checks the sha256 of both parts, writes `htmx.js` beside this script and prints its sha256. htmx is under the Zero-Clause BSD licence.
"""

from __future__ import annotations

import hashlib
import sys
from pathlib import Path

VERSION = "4.0.1"
PARTS = (
    ("dist/htmx.min.js", "a0abb04f2f45a1f89d1d4844023245537e5e6014c87b144553e0607b4cc32130"),
    ("dist/ext/hx-sse.min.js", "18ef2761356ec1fe0bb6d92612315b37517a7c1e9856b661c5ae81fef239d103"),
)


def joined(package: Path) -> bytes:
    """Return the joined text. Raises SystemExit, naming the file, where a part is not the one that was checked."""
    out = f"/* htmx.org {VERSION} with ext/hx-sse, joined by join.py; Zero-Clause BSD */\n".encode()
    for name, expected in PARTS:
        text = (package / name).read_bytes()
        found = hashlib.sha256(text).hexdigest()
        if found != expected:
            raise SystemExit(f"{name}: sha256 is {found}, expected {expected}")
        lines = [line for line in text.splitlines() if not line.startswith(b"//# sourceMappingURL=")]
        out += b"\n".join(lines) + b"\n;\n"
    return out


if __name__ == "__main__":
    target = Path(__file__).with_name("htmx.js")
    target.write_bytes(joined(Path(sys.argv[1])))
    print(f"{target.name} {hashlib.sha256(target.read_bytes()).hexdigest()}")
