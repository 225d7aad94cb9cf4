"""Text from a dump: nothing that moves a cursor, nothing endless, nothing secret."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from spiflash.dump.finding import BundleFacts, Finding, Holds, ImageFacts, Verdict
from spiflash.dump.secrets import MASK, masked, masker
from spiflash.text import readable


@given(st.binary(max_size=400))
def test_readable_is_printable_and_loses_nothing(raw: bytes) -> None:
    text = readable(raw)
    assert text.isascii()
    assert all(0x20 <= ord(character) <= 0x7E for character in text)
    assert text.encode("ascii").decode("unicode_escape").encode("latin-1") == raw


def test_readable_is_bounded() -> None:
    assert readable(b"a" * 5000, 10) == "a" * 10 + "…"
    assert len(readable(b"\x1b" * 10**6)) < 5000


@pytest.mark.parametrize(
    "name", ["wifi_pass", "password", "PASSWD", "psk", "wpa_key", "api_token", "client_secret"]
)
def test_a_secret_by_name(name: str) -> None:
    assert masked(name, "hush") == MASK


def test_an_empty_secret_is_shown_to_be_empty() -> None:
    assert masked("password", "") == ""


def test_a_secret_inside_a_value() -> None:
    line = "console=ttyS0 wifi.psk=hush123 ap_password=hush456, root=/dev/mtdblock5"
    assert masked("bootargs", line) == (
        f"console=ttyS0 wifi.psk={MASK} ap_password={MASK}, root=/dev/mtdblock5"
    )


@pytest.mark.parametrize("value", ["run spiboot", "mtdparts=spi:256k(boot),64k(env)", "x=1 y=2"])
def test_what_is_no_secret_stays(value: str) -> None:
    assert masked("bootcmd", value) == value


def test_a_secret_of_a_script_in_a_fit_is_masked_wherever_it_is_shown() -> None:
    script = ImageFacts(
        name="script-1",
        holds=Holds.SCRIPT,
        architecture=None,
        system="",
        compression="",
        data=(64, 96),
        size=32,
        checksum_ok=True,
        script="setenv wpa_psk Sesame12345",
    )
    fit = Finding(0, 96, "fit", "FIT", Verdict.VERIFIED, facts=BundleFacts((script,)))
    assert masker([fit]).text("echo Sesame12345") == f"echo {MASK}"
    assert masker([]).text("echo Sesame12345") == "echo Sesame12345"
