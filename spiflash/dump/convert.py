"""What happens to a board's own items when another image is written.

Own items × image × layout → proposal. The rules:

* nothing is invented: an item goes only where something says so, which is the same place, left
  alone or blank in the image; the region of the same role; or the variable of the same name;
* a place that the image's layout gives to something else is not blank, whatever it holds;
* a loader that is replaced does not get the environment of the one before it, only variables;
* each item has exactly one fate, and one that is said to be kept was found again, by an audit
  of the merged image that knows nothing of this file. One that was not is not carried over.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from spiflash.dump.audit import Audit, examine
from spiflash.dump.board_data import (
    CONTAINERS,
    Decision,
    Fate,
    Wishes,
    block_around,
    firmware_in,
    found_in,
    layout_for,
    matching_regions,
    sound_environments,
    used_length,
    whole_item,
    whole_ranges,
    wish_error,
)
from spiflash.dump.finding import Finding, saved_environments
from spiflash.dump.formats import is_blank
from spiflash.dump.identity import OwnItem
from spiflash.dump.layout import Region, Role
from spiflash.dump.made_image import items_from_image, why_not_kept
from spiflash.dump.uboot_env import Environment, EnvironmentEditError, set_variables, stored
from spiflash.spans import spans_of

_LARGE = 256 << 10
"""Bytes: calibration and identity are smaller (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Proposal:
    """What the chip is to hold, and what that means for the board.

    `made` has as many bytes as the chip; `kept` are the ranges of the board in it, each as (range
    now, range in `made`). `values` are the variables that a person gave.
    `brought` are addresses and serial numbers that come with the image and would be on every
    board written with it. `audit` is that of `made`.
    """

    made: bytes
    decisions: tuple[Decision, ...]
    kept: tuple[tuple[Region, Region], ...]
    values: tuple[tuple[str, str], ...]
    brought: tuple[OwnItem, ...]
    audit: Audit

    @property
    def lost(self) -> tuple[Decision, ...]:
        """What only the backup has afterwards."""
        return tuple(each for each in self.decisions if not each.kept)


def propose(board: Audit, image: Audit, wishes: Wishes | None = None) -> Proposal:
    """What `image`, written to `board` from address 0 on, makes of the board's own items.

    `board` is the audit of the whole chip; an image that is longer is cut at its end. Raises
    `UsageError` or `LayoutError` for wishes that name what does not exist.
    """
    draft = _Draft(board, image, wishes or Wishes())
    draft.place_wholes()
    draft.place_variables()
    draft.place_loose()
    draft.set_variables()
    return draft.checked()


@dataclass(slots=True)
class _Draft:
    """A merged image in the making. `kept` are ranges of the board that were put in."""

    board: Audit
    image: Audit
    wishes: Wishes
    made: bytearray = field(init=False)
    base: bytes = field(init=False)
    reach: int = field(init=False)
    decisions: list[Decision] = field(default_factory=list)
    kept: list[tuple[Region, Region]] = field(default_factory=list)
    variables: dict[bytes, bytes] = field(default_factory=dict)
    staying: list[tuple[int, int]] = field(default_factory=list)
    removed: dict[bytes, None] = field(default_factory=dict)
    refused: dict[bytes, str] = field(default_factory=dict)
    done: set[OwnItem] = field(default_factory=set)
    wholes: list[Region] = field(init=False)
    wished: dict[Region, Region] = field(init=False)

    def __post_init__(self) -> None:
        size = len(self.board.contents)
        self.reach = min(len(self.image.contents), size)
        self.base = self.image.contents[:size] + self.board.contents[self.reach :]
        self.made = bytearray(self.base)
        known = whole_ranges(self.board)
        self.wished = {
            region: self.image.layout.region(target) if target else region
            for region, target in self.wishes.kept_ranges(self.board.layout, known)
        }
        others = [each for each in known if not any(one.meets(each) for one in self.wished)]
        self.wholes = [*self.wished, *others]
        self.wishes.check(self.board, self.wholes)

    # Ranges that move as a whole.

    def place_wholes(self) -> None:
        # What stays for certain first, so that nothing else is put over it.
        def certain(region: Region) -> tuple[bool, bool, int]:
            return region not in self.wished, not self._untouched(region), region.start

        for region in sorted(self.wholes, key=certain):
            target, fate, why = self._where(region)
            item = whole_item(self.board, region)
            clash = target and self._clash(target)
            if clash:
                target, fate, why = None, Fate.LEFT, f"{clash.name} is put there"
            if target is not None:
                self._copy(region, target)
            elif region.name in self.wishes.drop and region.start >= self.reach:
                self.made[region.start : region.end] = b"\xff" * region.length
            place = target.start if target else None
            self.decisions.append(Decision(item, fate, why, place, region.name))
            self.done.add(item)
            for inner in self.board.own:
                if region.holds(inner.start) and inner not in self.done:
                    moved = inner.start - region.start + target.start if target else None
                    said = f"with {region.name}"
                    self.decisions.append(Decision(inner, fate, said, moved, region.name))
                    self.done.add(inner)

    def _untouched(self, region: Region) -> bool:
        return region.of(self.base) == self._mine(region)

    def _as_now(self, start: int) -> str:
        """Why what is at an address stays without anything being put there."""
        ends = start >= self.reach
        return "the image ends before this" if ends else "the image holds the same"

    def _mine(self, region: Region) -> bytes:
        return region.of(self.board.contents)

    def _where(self, region: Region) -> tuple[Region | None, Fate, str]:
        """Where a whole range goes; None where it is not carried over."""
        if region.name in self.wishes.drop:
            return None, Fate.LEFT, "dropped, as you asked"
        wish = self.wished.get(region)
        if wish is not None:
            used = used_length(self.board.contents, region)
            if used > wish.length or wish.end > len(self.made):
                why = f"{wish.name} has {wish.length:,} bytes, {used:,} are needed"
                return None, Fate.LEFT, why
            same = wish.start == region.start
            return wish, Fate.STAYS if same else Fate.CARRIED, "kept, as you asked"
        if self._untouched(region):
            return region, Fate.STAYS, self._as_now(region.start)
        fitting = matching_regions(self.image, region, len(self.made))
        home = self._home(region, fitting)
        if home is not None:
            return self._to_home(region, home)
        claim = self._claim(region, region.role)
        if not is_blank(self.base, region.start, region.end):
            why = f"the image has {found_in(self.image, region)} there"
        elif claim is not None:
            why = f"the image's layout gives the place to {claim.name}"
        elif region.role is Role.OTHER and region.length > _LARGE:
            why = "unknown contents, and large; use --keep to keep it"
        else:
            return region, Fate.STAYS, "the image is blank there"
        room = [e for e in fitting if is_blank(self.base, e.start, e.end)]
        if room:
            why += f"; --keep {region.name}={room[0].name} puts it there"
        return None, Fate.LEFT, why

    def _to_home(self, region: Region, home: Region) -> tuple[Region | None, Fate, str]:
        used = used_length(self.board.contents, region)
        blank = is_blank(self.base, home.start, home.end)
        needed = used if region.is_own or self._jffs2(region) else region.length
        if needed > home.length:
            why = f"{home.name} in the image has {home.length:,} bytes, {needed:,} are needed"
            return None, Fate.LEFT, why
        if not blank and (not region.is_own or home.end > self.reach):
            return None, Fate.LEFT, f"the image brings {found_in(self.image, home)} for {home.name}"
        target = replace(home, role=region.role, keep=region.keep)
        if blank and home.start == region.start:
            return target, Fate.STAYS, "the image is blank there"
        if home.start == region.start:
            return target, Fate.CARRIED, "in place of what the image has there"
        return target, Fate.CARRIED, f"the image's region of that role is {home.name}"

    def _jffs2(self, region: Region) -> bool:
        """Whether only nodes count, wherever the partition ends."""
        kinds = {each.kind for each in firmware_in(self.board.findings, region)}
        return kinds == {"jffs2"}

    def _home(self, region: Region, fitting: list[Region]) -> Region | None:
        """The one of them that is meant for what this range holds."""
        own = region.is_own
        for each in fitting:
            if each.name == region.name:
                return each
        for each in fitting:
            if each.start == region.start and (own or each.length == region.length):
                return each
        # Settings of one firmware under another's name could keep that from starting: a role
        # alone is enough only for what is the board's own, and where there is no choice.
        alone = own and sum(each.is_own for each in self.wholes) == 1 and len(fitting) == 1
        return fitting[0] if alone else None

    def _claim(self, region: Region, role: Role) -> Region | None:
        """The region of the image's layout that has another use for a range."""
        for each in self.image.layout.regions:
            if (each.name, each.start, each.end) == (region.name, region.start, region.end):
                continue  # its use is told by the contents, of which the image may have none
            meets = each.meets(region)
            both_own = each.is_own and region.is_own
            if meets and not both_own and each.role not in (Role.SPARE, role):
                return each
            if meets and each.role is Role.OTHER and each.start != region.start:
                return each
        return None

    def _clash(self, target: Region) -> Region | None:
        return next((each for _, each in self.kept if each.meets(target)), None)

    def _copy(self, region: Region, target: Region) -> None:
        if target.start == region.start and target.length == region.length:
            part = self._mine(region)
        else:
            part = self._mine(region)[: used_length(self.board.contents, region)]
            part = part.ljust(target.length, b"\xff")
        self.made[target.start : target.start + len(part)] = part
        self.kept.append((region, target))

    # Variables of saved environments.

    def place_variables(self) -> None:
        sound = sound_environments(self.board)
        broken = [e for e in saved_environments(self.board.findings) if not e.checksum_ok]
        for each in (*sound, *broken):
            inside = [item for item in self.board.own if each.holds(item.start)]
            items = [item for item in inside if item not in self.done]
            self.done.update(items)
            self._place_environment(each, items)

    def _place_environment(self, here: Environment, items: list[OwnItem]) -> None:
        start, end = here.start, here.end
        mine = self.board.contents[start:end]
        if self.base[start:end] == mine:
            self._environment_stays(start, end, items, self._as_now(start))
            return
        blank = is_blank(self.base, start, end)
        if here.checksum_ok and blank and not self._targets() and self._loader_stays():
            whole = Region(f"env@{start:06X}h", start, end - start, Role.ENVIRONMENT)
            self._copy(whole, whole)
            why = "blank in the image, which leaves the loader as it is"
            self._environment_stays(start, end, items, why)
            return
        for item in items:
            self.decisions.append(self._variable(item, here.checksum_ok))

    def _environment_stays(self, start: int, end: int, items: list[OwnItem], why: str) -> None:
        self.staying.append((start, end))
        for item in items:
            if self.wishes.drops(item):
                self.removed[_raw(item.name)] = None
                self.decisions.append(_left(item, "dropped, as you asked", variable=item.name))
            elif item.name in self.wishes.values:
                self.decisions.append(_left(item, "replaced by your value", variable=item.name))
            else:
                decided = Decision(item, Fate.STAYS, why, item.start, variable=item.name)
                self.decisions.append(decided)

    def _variable(self, item: OwnItem, sound: bool) -> Decision:
        name, value = _raw(item.name), self._bytes(item)
        if self.wishes.drops(item):
            return _left(item, "dropped, as you asked", variable=item.name)
        if item.name in self.wishes.values:
            return _left(item, "replaced by your value", variable=item.name)
        if not self._targets():
            why = "the image has no saved environment; set it at the boot loader's prompt"
            if saved_environments(self.image.findings):
                why = "the checksum of the image's environment FAILS"
            return _left(item, why, variable=item.name)
        if self.variables.setdefault(name, value) != value:
            return _left(item, "an older copy; the newer one has another value", variable=item.name)
        why = "" if sound else "the checksum of the board's own environment FAILS"
        return Decision(item, Fate.VARIABLE, why, variable=item.name)

    def _targets(self) -> list[Environment]:
        """The image's environments that the board gets."""
        return [each for each in sound_environments(self.image) if each.end <= self.reach]

    def _loader_stays(self) -> bool:
        """Whether the board's boot loader is still there afterwards, byte for byte."""
        boot = [each for each in self.board.layout.regions if each.role is Role.BOOT]
        return bool(boot) and all(self._untouched(each) for each in boot)

    def _bytes(self, item: OwnItem) -> bytes:
        return item.of(self.board.contents)

    # What is by itself.

    def place_loose(self) -> None:
        for item in self.board.own:
            if item not in self.done:
                self.decisions.append(self._loose(item))

    def _loose(self, item: OwnItem) -> Decision:
        place = (item.kind, item.start, item.length)
        if self.wishes.drops(item):
            if item.start >= self.reach:
                self.made[item.start : item.end] = b"\xff" * item.length
            return _left(item, "dropped, as you asked")
        if bytes(self.made[item.start : item.end]) == self._bytes(item):
            return Decision(item, Fate.STAYS, self._as_now(item.start), item.start)
        # The image says itself that such a thing is at this place.
        if any((e.kind, e.start, e.length) == place for e in self.image.own):
            self.made[item.start : item.end] = self._bytes(item)
            return Decision(item, Fate.CARRIED, "in place of the one in the image", item.start)
        holders = [e for e in self.board.findings if e.kind in CONTAINERS and _around(e, item)]
        if holders:
            holder = min(holders, key=lambda each: each.length)
            return _left(item, f"part of {holder.title} at {holder.start:06X}h, which is replaced")
        here = self.board.layout.at(item.start)
        low, high = here.span if here else self._gap(item)
        start, end = block_around(self.board.contents, item, low, high)
        block = Region(f"{item.kind}@{item.start:06X}h", start, end - start, Role.OWN, True)
        if not is_blank(self.base, start, end):
            return _left(item, f"the image has {found_in(self.image, block)} there")
        claim = self._claim(block, here.role if here else Role.SPARE)
        if claim is not None and (here is None or claim.start != here.start):
            return _left(item, f"the image's layout gives the place to {claim.name}")
        if self._clash(block) is None:
            self._copy(block, block)
        return Decision(item, Fate.STAYS, "the image is blank there", item.start)

    def _gap(self, item: OwnItem) -> tuple[int, int]:
        gaps = self.board.layout.gaps
        return next((pair for pair in gaps if pair[0] <= item.start < pair[1]), item.span)

    # Environments, and the proof.

    def set_variables(self) -> None:
        """Put the variables into every environment that the board has afterwards.

        Raises `UsageError` for a value that a person gave and no environment can take.
        """
        try:
            given = stored(self.wishes.values)
        except EnvironmentEditError as exc:
            raise wish_error(f"That variable cannot be set: {exc}.") from exc
        targets = spans_of(self._targets())
        if given and not (targets or self.staying):
            raise wish_error("The board will have no environment that could hold a variable.")
        for start, end in targets or self.staying:
            raw = bytes(self.made[start:end])
            try:
                raw = set_variables(raw, given if targets else {**given, **self.removed})
            except EnvironmentEditError as exc:
                raise wish_error(f"That variable cannot be set: {exc}.") from exc
            for name, value in list(self.variables.items()):
                try:
                    raw = set_variables(raw, {name: value})
                except EnvironmentEditError as exc:
                    self.refused[name] = f"the image's environment cannot take it: {exc}"
            self.made[start:end] = raw

    def checked(self) -> Proposal:
        """The proposal, in which every item that is said to be kept was found again."""
        made = bytes(self.made)
        layout = layout_for(self.image.layout, [target for _, target in self.kept], len(made))
        audit = examine(made, "made", layout=layout, signs=False)
        decisions = []
        for each in self.decisions:
            problem = self.refused.get(_raw(each.variable), "") if each.kept else ""
            problem = problem or why_not_kept(each, self.board, audit)
            decisions.append(
                _left(each.item, problem, each.whole, each.variable) if problem else each
            )
        starts = {each.name: each.start for each in self.wholes}
        decisions.sort(key=lambda each: (starts.get(each.whole, each.item.start), each.item.start))
        return Proposal(
            made,
            tuple(decisions),
            tuple(self.kept),
            tuple(self.wishes.values.items()),
            items_from_image(self.board, audit, self.wishes.values, self.image),
            audit,
        )


def _raw(text: str) -> bytes:
    return text.encode("latin-1", "replace")


def _left(item: OwnItem, why: str, whole: str = "", variable: str = "") -> Decision:
    return Decision(item, Fate.LEFT, why, whole=whole, variable=variable)


def _around(finding: Finding, item: OwnItem) -> bool:
    return finding.start <= item.start and item.end <= finding.end
