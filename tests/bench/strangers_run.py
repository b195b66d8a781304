"""Strangers drawn, written as a logger's file, and judged by the command's functions, some by the command itself."""

from __future__ import annotations

import contextlib
import io
import json
import multiprocessing
import os
import random
import subprocess
import sys
import tempfile
import time
import traceback
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent.parent))  # where `strangers` is a package

from strangers_rows import Job, Row, row_of, with_judgement

#: One log in so many is judged by the command as a process too.
BY_COMMAND = 10
CRASHED = -1
#: Of the sizes, how often each is drawn: those that must be found more often than those that need not.
_SIZES = {0.7: 1, 1.5: 2, 3.0: 2, 6.0: 1}
#: A logger's file mostly begins after the fault did.
_FIRST_ROW, _OTHER_COURSE = 3, 1
_SECOND = 0.12  # share of faulty logs with two faults at once


def healthy_jobs(seeds: Sequence[int], conditions: Sequence[str]) -> list[Job]:
    """A healthy log a seed, the conditions in turn."""
    return [Job(seed, conditions[seed % len(conditions)]) for seed in seeds]


def faulty_jobs(
    seeds: Sequence[int],
    conditions: Sequence[str],
    faults: Sequence[str],
    courses: Sequence[str],
    *,
    sizes: Sequence[float] = tuple(_SIZES),
) -> list[Job]:
    """A faulty log a seed: faults in turn, size, course, condition and a second fault by the seed."""
    out = []
    for seed in seeds:
        draw = random.Random(f"faulty {seed}")
        fault = faults[seed % len(faults)]
        size = draw.choices(sizes, [_SIZES.get(size, 1) for size in sizes])[0]
        course = draw.choices(courses, [_FIRST_ROW] + [_OTHER_COURSE] * (len(courses) - 1))[0]
        second = draw.choice([other for other in faults if other != fault]) if len(faults) > 1 else None
        if draw.random() >= _SECOND:
            second = None
        out.append(Job(seed, draw.choice(conditions), fault, size, course, second))
    return out


def misfit_jobs(seeds: Sequence[int], conditions: Sequence[str], misfits: Sequence[str]) -> list[Job]:
    """A log a seed that does not fit its sheet, kinds in turn."""
    return [
        Job(seed, random.Random(f"misfit {seed}").choice(conditions), misfit=misfits[seed % len(misfits)])
        for seed in seeds
    ]


def drawn(job: Job) -> Any:
    """The stranger of a job (`strangers.truth.Stranger`)."""
    from strangers.stranger import draw

    return draw(
        job.seed,
        job.condition,
        fault=job.fault,
        size=job.size,
        course=job.course,
        misfit=job.misfit,
        second_fault=job.second_fault,
    )


def judged(job: Job, *, by_command: bool = False, stranger: Any = None, folder: Path | None = None) -> Row:
    """Draw and judge one log. `stranger`: instead of drawing; `folder`: where the files are left, for a look."""
    stranger = drawn(job) if stranger is None else stranger
    row = row_of(job, stranger)
    if folder is not None:
        folder.mkdir(parents=True, exist_ok=True)
        return _judged(row, stranger, folder, by_command=by_command)
    with tempfile.TemporaryDirectory() as name:
        return _judged(row, stranger, Path(name), by_command=by_command)


def _judged(row: Row, stranger: Any, folder: Path, *, by_command: bool) -> Row:
    log, sheet = stranger.write(folder)
    # Headers without units: which column is what, and in which unit, is said; that is not what is tried here.
    as_named = folder / "map.toml"
    as_named.write_text('separator = ","\n', encoding="utf-8")
    words = ["judge", str(log), "--sheet", str(sheet), "--map", str(as_named)]
    bursts = sorted(path for path in folder.glob("*burst*") if path not in {log, sheet})
    words += ["--burst", str(bursts[0])] if bursts else []
    began_s = time.process_time()
    code, text, error = in_process([*words, "--json", str(folder / "judgement.json")])
    row = replace(row, cpu_s=time.process_time() - began_s, exit_code=code, by_command=by_command, error=error)
    if text:
        row = with_judgement(row, json.loads(text), code)
    if by_command:
        again = as_process([*words, "--json", str(folder / "by-command.json")])
        if again[:2] != (code, text):
            row = replace(
                row, error=f"{row.error} the command itself says otherwise: {_difference(again, code, text)}"
            )
    return row


def in_process(words: Sequence[str]) -> tuple[int, str, str]:
    """Exit code, JSON and what went wrong, of `asleft` with these words (the last one names the JSON file)."""
    from asleft.cli.main import main

    said, complained = io.StringIO(), io.StringIO()
    target = Path(words[-1])
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(complained):
        try:
            code = main(list(words))
        except Exception:  # noqa: BLE001 - whatever it is, it is one log's result and not the end of the run
            return CRASHED, "", traceback.format_exc(limit=-3)
    text = target.read_text(encoding="utf-8") if target.exists() else ""
    return code, text, "" if text else f"no judgement, exit code {code}: {complained.getvalue().strip()[-400:]}"


def as_process(words: Sequence[str]) -> tuple[int, str, str]:
    """The same through a process of its own."""
    target = Path(words[-1])
    done = subprocess.run(
        [sys.executable, "-m", "asleft.cli.main", *words],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(path for path in sys.path if path)},
    )
    text = target.read_text(encoding="utf-8") if target.exists() else ""
    return done.returncode, text, done.stderr


def _difference(again: tuple[int, str, str], code: int, text: str) -> str:
    if again[0] != code:
        return f"exit code {again[0]}, not {code}; {again[2].strip()[-200:]}"
    pairs = zip(again[1].splitlines(), text.splitlines(), strict=False)
    return next((f"{a.strip()} instead of {b.strip()}" for a, b in pairs if a != b), "a longer or shorter JSON")


def by_command(job: Job) -> bool:
    """Whether this log is judged by the command as a process too: by its seed, so that runs can be compared."""
    return job.seed % BY_COMMAND == 0


def _one(task: tuple[Job, bool]) -> Row:
    job, through_command = task
    try:
        stranger = drawn(job)
    except ValueError:
        # Not every machine can have every misfit (no current channel, no 4-20 mA signal): a plain one has them all.
        job = replace(job, condition="plain") if job.misfit is not None else job
        stranger = None
    try:
        return judged(job, by_command=through_command, stranger=stranger)
    except Exception:  # noqa: BLE001 - a log that cannot be drawn is told as such, and the others go on
        return Row(job, "", 0.0, (), (), CRASHED, error=f"not drawn: {traceback.format_exc(limit=-3)}")


def judge_all(jobs: Sequence[Job], workers: int = 1) -> Iterator[Row]:
    """Rows of all jobs in their order; no result depends on how many processes share them."""
    tasks = [(job, by_command(job)) for job in jobs]
    if workers <= 1:
        yield from map(_one, tasks)
        return
    with multiprocessing.get_context("spawn").Pool(workers, maxtasksperchild=200) as pool:
        yield from pool.imap(_one, tasks, chunksize=1)
