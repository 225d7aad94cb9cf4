"""What all tests share: tools that may be missing, and how far the long sweeps go.

A test that calls a program says so with `@pytest.mark.needs("mkimage", ...)`. Where a program
is missing the test is left out and the closing summary says which and why; with CI=true it
fails instead, so that a check never goes missing unseen.

Hypothesis has no deadline here: how long an example takes on a busy machine says nothing about
the program. With CI=true its examples are the same in every run, so that a run that failed can be
run again; without, each run tries others.
"""

from __future__ import annotations

import os
import shutil
import signal
from collections import Counter
from typing import TYPE_CHECKING, Any

import hypothesis
import pytest

if TYPE_CHECKING:
    from tests.power_loss import Cutter

SWEEPS = ("small", "full")
CUTTER: pytest.StashKey[Cutter] = pytest.StashKey()
CUTS = pytest.StashKey[Counter[str]]()
LEFT_OUT = pytest.StashKey[dict[str, list[str]]]()


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption(
        "--cuts",
        type=int,
        metavar="N",
        help="cut every job that writes at each N-th of its USB transfers, on a copy of its bench, "
        "and take it up again (see tests/power_loss.py)",
    )


def in_ci() -> bool:
    return os.environ.get("CI", "").lower() in ("1", "true", "yes")


def missing_tools(item: pytest.Item) -> list[str]:
    wanted = [str(tool) for marker in item.iter_markers("needs") for tool in marker.args]
    return sorted({tool for tool in wanted if shutil.which(tool) is None})


def hear_signals() -> None:
    """Let tests and what they start hear Ctrl-C and hang-ups.

    A shell without job control starts what runs in the background with SIGINT ignored, nohup
    with SIGHUP, and every program below inherits that (POSIX, shell, section 2.11, and nohup).
    """
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if signal.getsignal(signal.SIGHUP) is signal.SIG_IGN:
        signal.signal(signal.SIGHUP, signal.SIG_DFL)


def set_up_hypothesis() -> None:
    """Before the test modules are imported: their `settings` start from this profile."""
    hypothesis.settings.register_profile("spiflash", deadline=None, derandomize=in_ci())
    hypothesis.settings.load_profile("spiflash")


def pytest_configure(config: pytest.Config) -> None:
    set_up_hypothesis()
    config.stash[LEFT_OUT] = {}
    config.stash[CUTS] = Counter()
    sweep = os.environ.get("SPIFLASH_SWEEP", "small")
    if sweep not in SWEEPS:
        raise pytest.UsageError(f"SPIFLASH_SWEEP is {sweep!r}, not one of {', '.join(SWEEPS)}")
    hear_signals()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if in_ci():
        return
    left_out = {item: tools for item in items if (tools := missing_tools(item))}
    if left_out:
        config.hook.pytest_deselected(items=list(left_out))
        items[:] = [item for item in items if item not in left_out]
    for item, tools in left_out.items():
        config.stash[LEFT_OUT].setdefault(", ".join(tools), []).append(item.nodeid)


def pytest_collection_finish(session: pytest.Session) -> None:
    """By now every test module has been imported, with what it took from the program."""
    every = session.config.getoption("--cuts")
    if every:
        from tests.power_loss import Cutter, install

        session.config.stash[CUTTER] = cutter = Cutter(every)
        install(cutter)


def pytest_runtest_setup(item: pytest.Item) -> None:
    if tools := missing_tools(item):
        pytest.fail(f"needs {', '.join(tools)}: not installed", pytrace=False)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """A worker of a parallel run hands its list to the process that prints the summary."""
    output = getattr(session.config, "workeroutput", None)
    if output is not None:
        output["left_out"] = session.config.stash[LEFT_OUT]
        if cutter := session.config.stash.get(CUTTER, None):
            output["cuts"] = dict(cutter.counts)


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """Every worker collects the same tests, so that the last list stands for all."""
    output = getattr(node, "workeroutput", {})
    node.config.stash[LEFT_OUT].update(output.get("left_out", {}))
    node.config.stash[CUTS].update(output.get("cuts", {}))


def pytest_terminal_summary(
    terminalreporter: pytest.TerminalReporter, config: pytest.Config
) -> None:
    if config.getoption("--cuts"):
        cuts = config.stash[CUTS]
        if cutter := config.stash.get(CUTTER, None):
            cuts.update(cutter.counts)
        terminalreporter.write_line(f"{cuts['jobs']} jobs that write, cut {cuts['cuts']} times")
    left_out = config.stash[LEFT_OUT]
    if left_out:
        terminalreporter.section("left out", sep="-", yellow=True)
    for tools, tests in sorted(left_out.items()):
        terminalreporter.write_line(f"left out: {len(tests)} checks that need {tools}")
        for test in tests:
            terminalreporter.write_line(f"  {test}")


@pytest.fixture(scope="session")
def full_sweep() -> bool:
    """True when SPIFLASH_SWEEP=full asks for the long sweeps."""
    return os.environ.get("SPIFLASH_SWEEP", "small") == "full"
