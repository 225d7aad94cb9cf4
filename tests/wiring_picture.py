"""The README's picture of the wiring, drawn from what `spiflash wiring --json` says.

    python tests/wiring_picture.py --write      draws spiflash/pictures/wiring.svg anew

`tests/jobs/test_readme.py` draws it again and compares, so that picture and table agree.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import textwrap
from html import escape
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
PICTURE = ROOT / "spiflash" / "pictures" / "wiring.svg"

TOP, STEP = 70, 52
LEFT, RIGHT = 300, 460
"""Edges of the package, in the picture's units."""

HEAD = """\
<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 760 350" width="760" height="350" \
font-family="system-ui, sans-serif" font-size="15">
<title>FT232H, channel A, to an 8-pin SPI flash chip seen from above</title>
<rect width="760" height="350" rx="10" fill="#f7f8f4"/>
<text x="380" y="32" text-anchor="middle" font-weight="600" fill="#1d2420">\
FT232H, channel A, to an 8-pin flash chip, seen from above</text>
<rect x="300" y="52" width="160" height="208" rx="8" fill="#30383a"/>
<circle cx="316" cy="65" r="5" fill="#f7f8f4"/>
<text x="380" y="163" text-anchor="middle" fill="#9aa39e">flash</text>
"""


def connections() -> list[dict[str, object]]:
    done = subprocess.run(
        [sys.executable, "-m", "spiflash", "wiring", "--json"],
        env={**os.environ, "PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    return list(json.loads(done.stdout)["wires"])


def line_to(pin: int, name: str, adapter: str, remark: str) -> str:
    """One wire: the chip's pin and its name, the line, the adapter's pin and what it is for."""
    on_left = pin <= 4
    y = TOP + STEP * (pin - 1 if on_left else 8 - pin) + 12
    edge, side = (LEFT, -1) if on_left else (RIGHT, 1)
    anchor = "end" if on_left else "start"
    inside = edge - side * 10
    far = edge + side * 84
    role = textwrap.wrap(remark.split(";")[0], 26)
    inner = "start" if on_left else "end"
    pale = "#7d8782" if remark.startswith("or tie") else "#12506b"
    label = " ".join(adapter.split()[:1])
    return f"""\
<text x="{inside + 6 * -side}" y="{y + 5}" text-anchor="{inner}" fill="#f7f8f4" \
font-size="13">{pin if on_left else escape(name)} {escape(name) if on_left else pin}</text>
<line x1="{edge}" y1="{y}" x2="{far}" y2="{y}" stroke="{pale}" stroke-width="3"/>
<text x="{far + side * 8}" y="{y + 1}" text-anchor="{anchor}" font-weight="600" \
fill="{pale}">{escape(label)}</text>
""" + "".join(
        f'<text x="{far + side * 8}" y="{y + 17 + 14 * number}" text-anchor="{anchor}" '
        f'font-size="12" fill="#4d5753">{escape(part)}</text>\n'
        for number, part in enumerate(role)
    )


def picture() -> str:
    """The picture as SVG."""
    parts = [HEAD]
    for wire in connections():
        pin, name = int(str(wire["chip_pin"])), str(wire["chip_name"])
        adapter, remark = str(wire["adapter_pin"]), str(wire["remark"])
        if pin:
            parts.append(line_to(pin, name, adapter, remark))
        else:
            parts.append(
                f'<text x="380" y="300" text-anchor="middle" fill="#1d2420">'
                f'<tspan font-weight="600" fill="#12506b">{escape(adapter.split()[0])}</tspan>'
                f" to {escape(remark.split(';')[0])}, if it has one</text>\n"
            )
    parts.append(
        '<text x="380" y="328" text-anchor="middle" font-size="13" fill="#8a1c1c">'
        "3.3 V destroys a 1.8 V chip. Leads under 20 cm. Ground first.</text>\n</svg>\n"
    )
    return "".join(parts)


if __name__ == "__main__":
    if sys.argv[1:] == ["--write"]:
        PICTURE.write_text(picture(), encoding="utf-8")
    else:
        print(picture())
