"""Rows of a ledger for the tests of what is shown of it."""

from __future__ import annotations

from spiflash.archive.ledger.rows import FIRST, BoardRecord, Row, digest_of
from spiflash.report.ledger import Entry

NASTY = '<script>alert(1)</script>\x1b[31m,"quoted"\n=1+1'


def record(key: str, result: str = "PASS", **more: object) -> BoardRecord:
    plain: dict[str, object] = {
        "begun": "2026-05-01T10:00:00+00:00", "ended": "2026-05-01T10:00:40+00:00", "job": "j",
        "job_sha256": "11" * 32, "image_sha256": "22" * 32, "bench": "b", "station": "one",
        "adapter": "ft232h", "part": "W25Q64JV", "jedec_id": "ef4017", "unique_id": key,
        "values": {"ethaddr": "00:00:5e:00:53:01"}, "label": f"Heron {key}",
        "seconds": {"all": 31.5, "read": 7.0}, "passes": ("a", "b"),
    }  # fmt: skip
    return BoardRecord(key=key, result=result, **{**plain, **more})  # type: ignore[arg-type]


def entries(*records: BoardRecord) -> list[Entry]:
    found: list[Entry] = []
    before = FIRST
    for number, each in enumerate(records, 1):
        body = each.to_json()
        digest = digest_of(number, before, body)
        row = Row(number, before, digest, body, each.job, each.key, each.result)
        found.append(Entry(row, each))
        before = digest
    return found


def finished_row(**more: object) -> BoardRecord:
    """A good row of some board; its key says which chip, unless that is given."""
    jedec, _, unique = str(more["key"]).partition("-")
    more = {"jedec_id": jedec, "unique_id": "" if "contents" in unique else unique} | more
    plain = dict.fromkeys(("job", "job_sha256", "image_sha256", "bench", "station"), "x")
    plain |= dict.fromkeys(("adapter", "part", "jedec_id", "unique_id", "label"), "x")
    day = {"begun": "2026-05-01T10:00:00+00:00", "ended": "2026-05-01T10:00:40+00:00"}
    return BoardRecord(**{**plain, **day, "result": "PASS", **more})  # type: ignore[arg-type]
