"""What is secret, where a dump holds it in plain text, and how it is masked.

One list of words for text, JSON, page and record. A dump holds passphrases, keys and hashes of
passwords, which no report repeats unasked. A value is secret by its name, or by its own form. Then
it is masked wherever else it is shown. What is no secret stays readable: addresses, names of keys,
kinds of encryption.

Forms: PEM (RFC 7468), SSH key blobs (RFC 4253, section 6.6), crypt(5), user information in URLs
(RFC 3986). The words are common practice, no source.
"""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from spiflash.dump.finding import Certainty, Finding, images
from spiflash.dump.formats import places
from spiflash.dump.uboot_env import Environment
from spiflash.text import readable

MASK = "••••••"

# Names of secrets ------------------------------------------------------------------------------

_WORDS = re.compile(r"[a-z]+|[A-Z]+(?![a-z])|[A-Z][a-z]+")
_ANYWHERE = re.compile(
    r"passw|passphrase|passcode|pass_?phrase|psk|pwd|secret|token|credential|wpakey|wepkey|apikey"
    r"|privkey|private_?key|(?<!by)(?<!com)(?<!tres)pass(?![a-z])",
    re.IGNORECASE,
)
_WHOLE = frozenset(
    {"pass", "pw", "key", "keys", "auth", "authorization", "authorisation", "bearer", "cookie"}
    | {"community", "cred", "creds", "puk", "otp", "passwds", "priv"}
)
_ENDINGS = ("pass", "pw", "key", "psk")
_HARMLESS = frozenset(
    {"bypass", "compass", "trespass", "hotkey", "monkey", "turkey", "donkey", "sysrqkey", "bootkey"}
    | {"pubkey", "publickey", "passthrough", "passive"}
)
_PINS = frozenset({"wps", "sim", "device", "admin", "user", "security", "bluetooth", "bt", "login"})
# "wpa_key_mgmt", "key_len": about a secret, not one.
_ABOUT = frozenset(
    {"mgmt", "type", "len", "length", "size", "index", "idx", "count", "num", "path", "file"}
    | {"filename", "name", "dir", "url", "format", "alg", "algo", "algorithm", "method", "mode"}
    | {"timeout", "expire", "expires", "enable", "enabled", "required", "policy", "retry"}
    | {"interval", "id", "keyid", "version", "addr", "address", "server", "port", "proto", "map"}
    | {"code", "codes", "bits", "hint", "rotation", "renew", "rekey", "status", "state"}
)
_PLAIN = frozenset(
    {"on", "off", "yes", "no", "true", "false", "none", "auto", "enabled", "disabled", "open"}
    | {"shared", "psk", "psk2", "wpa", "wpa2", "wpa3", "sae", "wep", "aes", "tkip", "ccmp", "null"}
    | {"basic", "digest", "bearer", "public", "private", "pap", "chap", "password", "rsa", "dsa"}
    | {"md5", "sha1", "sha256", "sha512", "any", "required", "optional", "string", "key"}
)
_MAC = re.compile(r"(?:[0-9A-Fa-f]{2}[:-]){5}[0-9A-Fa-f]{2}")
_REFERENCE = re.compile(r"\$\{?\w+\}?")
_KIND = re.compile(r"(?:wpa|wep|ft|sae|owe|eap|802)[\w.]*(?:[-_+/ ](?:psk|eap|sae|aes|tkip|ccmp|"
                   r"enterprise|personal|mixed|sha256)\d?)+", re.IGNORECASE)  # fmt: skip


def is_secret(name: str, value: str) -> bool:
    """Whether `value` is a secret because of its name.

    An empty value, a switch, a single digit, a reference to a variable, a MAC address or the name
    of a method is none.
    """
    plain = value.strip("\"' ").lower()
    if len(plain) < 2 or plain in _PLAIN or _MAC.fullmatch(plain) or _KIND.fullmatch(plain):
        return False
    if _REFERENCE.fullmatch(plain):
        return False
    return _names_a_secret(name, plain)


def _names_a_secret(name: str, value: str) -> bool:
    words = [word.lower() for word in _WORDS.findall(name)]
    if not words or words[-1] in _ABOUT or "public" in words or "pub" in words:
        return False
    joined = "".join(words)
    if any(word in joined for word in _HARMLESS):
        return False
    if _ANYWHERE.search("_".join(words)) or not _WHOLE.isdisjoint(words):
        return True
    if any(word.endswith(_ENDINGS) for word in words):
        return True
    if words[-1] in ("pin", "pincode"):
        # A pin of the processor has a small number and other company.
        digits = value.replace("-", "").replace(" ", "")
        beside = not _PINS.isdisjoint(words) or len(words) == 1
        return beside and digits.isdigit() and 4 <= len(digits) <= 10
    # A passphrase of Wi-Fi has 8 characters at least (IEEE 802.11, annex J), a WEP key 5.
    if words[-1] in ("wpa", "wpapsk"):
        return len(value) >= 8
    return words[-1] == "wep" and len(value) in (5, 10, 13, 26)


# Secrets in text -------------------------------------------------------------------------------

_NAME = r"[A-Za-z_][\w.#-]{0,63}(?:\[\d+\])?"
_VALUE = (
    r"""(?:[ \t]{0,4}\\?"(?P<double>[^"\n]{1,400}?)[ \t]{0,4}\\?"|'(?P<single>[^'\n]{1,400})'"""
    r"""|(?P<word>[^\s"'<>]{1,400}))"""
)
_ASSIGNED = re.compile(
    rf"""(?P<name>{_NAME})(?:[ \t]{{0,4}}\\?["'])?[ \t]{{0,4}}(?P<sep>[=:])>?[ \t]{{0,4}}"""
    + _VALUE
)
_COMMAND = re.compile(
    rf"\b(?:setenv|env set|env default|set|option|fw_setenv|nvram set|uci set|config_set)"
    rf"(?: -f| --)?[ \t]+(?P<name>{_NAME})[ \t=]+(?P<rest>[^;\n|&]{{1,400}})"
)
_SWITCH = re.compile(rf"--?(?P<name>{_NAME})[ \t]+" + _VALUE)
_SPACED = re.compile(
    r"\b(?P<name>(?:wpa_)?(?:psk|passphrase|password|passwd|secret|community|key))[ \t]+" + _VALUE,
    re.IGNORECASE,
)
_WPA_TOOL = re.compile(r"\bwpa_passphrase[ \t]+(?:\"[^\"]*\"|\S+)[ \t]+(?P<rest>\"[^\"]+\"|\S+)")
_TAG = re.compile(rf"<(?P<name>{_NAME})(?: [^<>]{{0,200}})?>(?P<rest>[^<>]{{1,400}})</")
_URL = re.compile(r"(?:\w[\w+.-]*:)?//[^\s/@:\"']{0,100}:(?P<rest>[^\s/@\"']{1,200})@")
_BEARER = re.compile(r"\b(?:Basic|Bearer|Digest)[ ]+(?P<rest>[\w+/.~-]{8,400}=*)")
CRYPT = re.compile(
    r"(?P<rest>\$(?:1|2[abxy]?|5|6|7|y|gy|apr1|sha1|md5|argon2\w*|scrypt|pbkdf2[\w-]*)"
    r"\$[./0-9A-Za-z$=,+-]{8,200})"
)
_OLD_CRYPT = re.compile(r"(?<![\w$-])[a-z_][\w-]{0,31}:(?P<rest>[./0-9A-Za-z]{13}):\d*:")
_PEM_TEXT = re.compile(
    r"-----BEGIN (?:[A-Z0-9]{1,12} ){0,3}PRIVATE KEY-----(?P<rest>.{1,20000}?)(?:-----END|\Z)",
    re.DOTALL,
)
_BY_FORM = (_URL, _BEARER, CRYPT, _OLD_CRYPT, _PEM_TEXT, _WPA_TOOL)
_QUICK = re.compile(
    r"pass|psk|pw|key|secret|token|cred|auth|pin|cookie|community|//|\$\w{1,12}\$|BEGIN|wpa|wep|basic|bearer"
    r"|digest|puk|otp|priv|:[./\w]{13}:",
    re.IGNORECASE,
)
"""Text without any of these holds nothing that the patterns look for: far faster than they."""

_BY_NAME = (_COMMAND, _ASSIGNED, _SWITCH, _SPACED, _TAG)
_ESCAPED = re.compile(r"\\x(?:0a|0d|09|00)")
_BACKSLASH = re.compile(r"\\x5c")
"""Ends of lines, and a backslash, as `readable` spells them."""

_SHORT = 6
"""A value with fewer characters is not looked for elsewhere: it would hide other things."""

_MOST_KNOWN = 1000


def _secrets(text: str) -> Iterator[tuple[int, int]]:
    """Where the secrets are in `text`."""
    if _QUICK.search(text) is None:
        return
    text = _BACKSLASH.sub(lambda match: "   \\", _ESCAPED.sub("   \n", text))
    for pattern in _BY_FORM:
        yield from (match.span("rest") for match in pattern.finditer(text))
    for pattern in _BY_NAME:
        at = 0
        # Not finditer: the value of a harmless name may contain the name of a secret.
        while (match := pattern.search(text, at)) is not None:
            at = match.end("name")
            groups = match.groupdict()
            group = next(each for each in ("double", "single", "word", "rest") if groups.get(each))
            low, high = match.span(group)
            if group == "word":
                high = low + _until(groups["word"])
            value = text[low:high]
            if group == "word" and _is_prose(pattern, match["name"], value):
                continue
            if value and is_secret(match["name"], value):
                yield low, high


def _is_prose(pattern: re.Pattern[str], name: str, value: str) -> bool:
    """ "Press any key to stop", "enter password twice": words of a sentence, no setting."""
    word = value.isalpha() and value.islower()
    return word and (name.lower() in ("key", "keys") or (pattern is _SPACED and len(value) < 8))


def _until(word: str) -> int:
    """How much of an unquoted word is the value: a list goes on after a comma or semicolon when
    another name follows it."""
    stop = re.search(r"[,;&|](?=\s*[\w.#-]{1,64}[=:]|\s|$)|[;)}\]](?=\s|$)", word)
    return stop.start() if stop else len(word)


class Masker:
    """Puts MASK in place of secrets: those that a name or a form reveals, and `known` values
    wherever they appear. With `show` nothing is masked."""

    def __init__(self, known: Iterable[str] = (), *, show: bool = False) -> None:
        self.show = show
        values = sorted({each for each in known if len(each) >= _SHORT}, key=len, reverse=True)
        words = "|".join(re.escape(each) for each in values[:_MOST_KNOWN])
        self._known = re.compile(words) if words else None
        # An environment and its copies repeat the same texts.
        self._done: dict[str, str] = {}

    def named(self, name: str, value: str) -> str:
        """`value` as it may be shown under `name`."""
        if self.show:
            return value
        if is_secret(name, value):
            return MASK
        return self.text(value)

    def text(self, text: str) -> str:
        """`text` with every secret in it masked."""
        if self.show or len(text) < 2:
            return text
        known = self._done.get(text)
        if known is None:
            known = self._masked(text)
            if len(self._done) < _MOST_KNOWN:
                self._done[text] = known
        return known

    def _masked(self, text: str) -> str:
        if self._known is not None:
            text = self._known.sub(MASK, text)
        spans = sorted(span for span in _secrets(text) if MASK not in text[slice(*span)])
        pieces: list[str] = []
        at = 0
        for low, high in spans:
            if high > at:
                pieces += [text[at : max(low, at)], MASK]
                at = high
        return "".join(pieces) + text[at:]


def secret_values(name: str, value: str) -> Iterator[str]:
    """Every secret in a variable: all of its value, or what is secret within it."""
    if is_secret(name, value):
        yield value.strip("\"' ")
    else:
        yield from (value[low:high] for low, high in _secrets(value))


def masker(findings: Iterable[Finding], *, show: bool = False) -> Masker:
    """The masker for one dump: it knows the secrets of its environments and boot scripts."""
    known: set[str] = set()
    seen: set[tuple[bytes, bytes]] = set()
    for finding in findings:
        facts = finding.facts
        if isinstance(facts, Environment):
            fresh = {(each.name, each.value): each for each in facts.variables}
            # Copies of an environment add nothing.
            for each in (fresh[key] for key in fresh.keys() - seen):
                known.update(secret_values(readable(each.name), readable(each.value, 4000)))
            seen.update(fresh)
        for image in images(finding):
            known.update(secret_values("", image.script))
    return Masker(known, show=show)


_PLAIN_MASKER = Masker()


def masked(name: str, value: str) -> str:
    """`value` as it may be shown under `name`, without knowledge of what else is secret."""
    return _PLAIN_MASKER.named(name, value)


# Secrets in a dump -------------------------------------------------------------------------------

_MOST = 200
_PEM_LONGEST = 16 << 10


@dataclass(frozen=True, slots=True)
class Secret:
    """The bytes `value` at `at`; `name` says what it is."""

    at: int
    name: str
    value: bytes
    certainty: Certainty
    reason: str


def find_secrets(contents: bytes) -> Iterator[Secret]:
    """Everything that looks like a key or passphrase, the first two hundred of each form."""
    for search in (_private_keys, _ssh_keys, _password_hashes, _urls, _setting_bytes):
        yield from itertools.islice(search(contents), _MOST)


_BEGIN = re.compile(rb"-----BEGIN ((?:[A-Z0-9]{1,12} ){0,3}PRIVATE KEY)-----")


def _private_keys(contents: bytes) -> Iterator[Secret]:
    for match in _BEGIN.finditer(contents):
        mark = b"-----END " + match[1] + b"-----"
        end = contents.find(mark, match.end(), match.end() + _PEM_LONGEST)
        name = match[1].decode("ascii").lower()
        stop, sure, why = match.end(), Certainty.GUESS, "it begins like a key without end"
        if end >= 0:
            stop, sure = end + len(mark), Certainty.SURE
            why = "it begins and ends as RFC 7468 says"
        yield Secret(match.start(), name, contents[match.start() : stop], sure, why)


_SSH_NAMES = (b"ssh-rsa", b"ssh-dss", b"ssh-ed25519", b"ecdsa-sha2-nistp256")
_SSH = re.compile(b"|".join(re.escape(len(name).to_bytes(4, "big") + name) for name in _SSH_NAMES))


def _ssh_keys(contents: bytes) -> Iterator[Secret]:
    for match in _SSH.finditer(contents):
        end = _strings_end(contents, match.end())
        if end > match.end() + 32:
            name = f"SSH key, {match[0][4:].decode('ascii')}"
            why = "type and lengths as RFC 4253 says; a public or a private key"
            value = contents[match.start() : end]
            yield Secret(match.start(), name, value, Certainty.LIKELY, why)


def _strings_end(contents: bytes, at: int) -> int:
    """The address after the length-prefixed strings from `at`, as many as there are up to eight."""
    for _ in range(8):
        length = int.from_bytes(contents[at : at + 4], "big")
        if not 1 <= length <= 1100 or at + 4 + length > len(contents):
            break
        at += 4 + length
    return at


_CRYPT_BYTES = re.compile(CRYPT.pattern.replace("(?P<rest>", "(").encode())
_USER = re.compile(rb"(?<![\w$-])[a-z_][\w-]{0,31}$")


def _password_hashes(contents: bytes) -> Iterator[Secret]:
    for colon in places(contents, b":$"):
        match = _CRYPT_BYTES.match(contents, colon + 1)
        user = _USER.search(contents[max(colon - 33, 0) : colon]) if match else None
        if match and user:
            name, why = (
                f"password hash of {user[0].decode('ascii')}",
                "a line as in a password file",
            )
            yield Secret(match.start(), name, match[0], Certainty.LIKELY, why)


_USER_INFO = re.compile(rb"[\w.%+-]{0,64}:([!-.0-?A-~]{1,100})@[\w.-]{2,100}")


def _urls(contents: bytes) -> Iterator[Secret]:
    for at in itertools.islice(places(contents, b"://"), _MOST_WORDS):
        match = _USER_INFO.match(contents, at + 3)
        # "%s:%s@%s" is a program's, not a board's.
        if match is not None and b"%" not in match[1]:
            name, why = "password in a URL", "a URL as RFC 3986 says"
            yield Secret(match.start(1), name, match[1], Certainty.LIKELY, why)


_HINTS = (b"psk", b"pass", b"pwd", b"pw", b"pin", b"secret", b"token", b"key", b"cred", b"auth",
          b"community", b"cookie")  # fmt: skip
_BEFORE = re.compile(rb"[\w.#-]{0,60}$")
_SETTING_BYTES = re.compile(
    rb"([A-Za-z_][\w.#-]{0,63})(?:\\?[\"'])?[ \t]{0,4}[=:][ \t]{0,4}\\?"
    rb"(?:\"([^\"\0\n]{1,128})\"|'([^'\0\n]{1,128})'|([^\s\"'\0;,&<>]{4,128}))"
)
_MOST_WORDS = 20_000
"""Places looked at for each word; no real dump names secrets that often."""


def _setting_bytes(contents: bytes) -> Iterator[Secret]:
    """Settings in text; in binary code the same words name other things."""
    starts: set[int] = set()
    small = contents.lower()  # one search for the three ways to spell a word
    for word in _HINTS:
        spelled = (word, word.upper(), word.capitalize())
        for at in itertools.islice(places(small, word), 3 * _MOST_WORDS):
            if contents[at : at + len(word)] not in spelled:
                continue
            before = _BEFORE.search(contents[max(at - 60, 0) : at])
            starts.add(at - (len(before[0]) if before else 0))
    done = 0
    for start in sorted(starts):
        match = _SETTING_BYTES.match(contents, start) if start >= done else None
        if match is None:
            continue
        group = next(each for each in (2, 3, 4) if match[each] is not None)
        value = match[group]
        if not all(0x20 <= byte <= 0x7E for byte in value) or value[:1] in b"%$":
            continue
        name = match[1].decode("ascii")
        if not is_secret(name, value.decode("ascii")):
            continue
        done = match.end()
        why = "a setting with the name of a secret"
        yield Secret(match.start(group), name, value, Certainty.LIKELY, why)
