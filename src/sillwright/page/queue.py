"""What is to be done, in the order it was asked for, kept in SQLite so that a restart goes on where it was.

A photo is looked at once, a job is measured, planned or sealed one thing at a time; asked for twice while it waits, it
is done once. What ran when its process ended is put back, and given up after three such ends.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from sillwright.page.store import Store, reading, writing

Kind = Literal["look", "measure", "plates", "seal"]
State = Literal["waiting", "running", "done", "failed"]
MOST_TRIES = 3
MOST_WAITING = 5000
_GAVE_UP = "It ended three times without a result. Look into the terminal of the laptop."


@dataclass(frozen=True)
class Task:
    """One thing to do. ``subject`` is the place and photo of a look, and who signs off a package; ``said`` why it
    failed, or what came of it."""

    number: int
    kind: Kind
    job: str
    subject: str
    state: State
    step: str = ""
    done: int = 0
    total: int = 0
    said: str = ""


def ask(store: Store, kind: Kind, job: str, subject: str = "") -> bool:
    """Put a task in; False where it waits already, or too much does."""
    return ask_for_each(store, kind, job, [subject]) == 1


def ask_for_each(store: Store, kind: Kind, job: str, subjects: Sequence[str]) -> int:
    """Put in a task for each subject that does not wait or run already; how many were put in."""
    with reading(store) as connection:
        rows = connection.execute("SELECT state, subject FROM task WHERE kind = ? AND job = ?", (kind, job)).fetchall()
    waiting = {
        row["subject"] for row in rows if row["state"] == "waiting" or (row["state"] == "running" and kind == "look")
    }
    new = [(kind, job, subject) for subject in subjects if subject not in waiting]
    if not new:
        return 0
    with writing(store) as connection:
        (count,) = connection.execute("SELECT count(*) FROM task WHERE state = 'waiting'").fetchone()
        if count + len(new) > MOST_WAITING:
            return 0
        added = connection.executemany(
            "INSERT OR IGNORE INTO task (kind, job, subject, state) VALUES (?, ?, ?, 'waiting')", new
        )
        return added.rowcount


def take(store: Store, kinds: Sequence[Kind], worker: int) -> Task | None:
    """The next task, now running in process ``worker``: the kinds named first go first, then the oldest; nothing of a
    job that is being measured, planned or sealed, but looks."""
    marks = ", ".join("?" * len(kinds))
    order = " ".join(f"WHEN ? THEN {place}" for place in range(len(kinds)))
    with writing(store) as connection:
        row = connection.execute(
            f"SELECT * FROM task WHERE state = 'waiting' AND kind IN ({marks}) AND (kind = 'look' OR job NOT IN "
            "(SELECT job FROM task WHERE state = 'running' AND kind <> 'look')) "
            f"ORDER BY CASE kind {order} END, id LIMIT 1",
            (*kinds, *kinds),
        ).fetchone()
        if row is None:
            return None
        connection.execute(
            "UPDATE task SET state = 'running', worker = ?, tries = tries + 1 WHERE id = ?", (worker, row["id"])
        )
    return Task(row["id"], row["kind"], row["job"], row["subject"], "running")


def progress(store: Store, number: int, step: str, done: int, total: int) -> None:
    """Say how far a running task is."""
    with reading(store) as connection:
        connection.execute("UPDATE task SET step = ?, done = ?, total = ? WHERE id = ?", (step, done, total, number))


def end(store: Store, number: int, fault: str = "", said: str = "") -> None:
    """A running task is done, with what came of it, or failed with the sentence that says why. Looks that are done are
    forgotten."""
    with writing(store) as connection:
        connection.execute(
            "UPDATE task SET state = ?, said = ?, worker = NULL WHERE id = ?",
            ("failed" if fault else "done", fault or said, number),
        )
        connection.execute("DELETE FROM task WHERE kind = 'look' AND state IN ('done', 'failed')")
        connection.execute(
            "DELETE FROM task WHERE state IN ('done', 'failed') AND id NOT IN "
            "(SELECT max(id) FROM task WHERE state IN ('done', 'failed') GROUP BY kind, job)"
        )


def put_back(store: Store, worker: int | None = None) -> None:
    """What a process that has ended was running waits again; of every process, where none is named."""
    mine = "state = 'running' AND (? IS NULL OR worker = ?)"
    with writing(store) as connection:
        connection.execute(
            f"UPDATE task SET state = 'failed', said = ?, worker = NULL WHERE {mine} AND tries >= ?",
            (_GAVE_UP, worker, worker, MOST_TRIES),
        )
        # Asked for again meanwhile, it waits already.
        connection.execute(f"UPDATE OR IGNORE task SET state = 'waiting', worker = NULL WHERE {mine}", (worker, worker))
        connection.execute(f"DELETE FROM task WHERE {mine}", (worker, worker))


def is_at_work(store: Store, job: str) -> bool:
    """Whether a job is being measured, planned or sealed at this moment: what it is made from must stay as it is."""
    return any(task.state == "running" and task.kind != "look" for task in tasks_of(store, job))


def tasks_of(store: Store, job: str) -> tuple[Task, ...]:
    """The tasks of a job that wait, run, or ended last, the oldest first."""
    with reading(store) as connection:
        rows = connection.execute("SELECT * FROM task WHERE job = ? ORDER BY id", (job,)).fetchall()
    return tuple(
        Task(
            row["id"],
            row["kind"],
            row["job"],
            row["subject"],
            row["state"],
            row["step"],
            row["done"],
            row["total"],
            row["said"],
        )
        for row in rows
    )
