"""What is to be done survives the end of whoever does it, and is done once."""

from __future__ import annotations

from pathlib import Path

import pytest

from page_site import Site, a_jpeg, a_site
from sillwright.page import queue, worker
from sillwright.page.crew import EVERY_KIND
from sillwright.page.store import reading


@pytest.fixture
def site(tmp_path: Path) -> Site:
    return a_site(tmp_path)


def states(site: Site) -> list[tuple[str, str]]:
    return [(task.kind, task.state) for task in queue.tasks_of(site.store, "lot")]


def test_asked_for_twice_it_is_done_once(site: Site) -> None:
    assert queue.ask(site.store, "measure", "lot")
    assert not queue.ask(site.store, "measure", "lot")
    assert states(site) == [("measure", "waiting")]


def test_one_thing_at_a_time_is_done_on_a_job_and_looks_go_first(site: Site) -> None:
    queue.ask(site.store, "measure", "lot")
    queue.ask(site.store, "plates", "lot")
    queue.ask(site.store, "look", "lot", "1-north/a.jpg")
    queue.ask(site.store, "measure", "other")
    taken = [queue.take(site.store, EVERY_KIND, 1) for _ in range(4)]
    assert [(task.kind, task.job) for task in taken if task] == [
        ("look", "lot"),
        ("measure", "lot"),
        ("measure", "other"),
    ]
    assert taken[1] is not None
    queue.end(site.store, taken[1].number)
    after = queue.take(site.store, EVERY_KIND, 1)
    assert after is not None
    assert after.kind == "plates"


def test_what_a_worker_names_first_it_does_first(site: Site) -> None:
    queue.ask(site.store, "look", "lot", "1-north/a.jpg")
    queue.ask(site.store, "measure", "lot")
    taken = [queue.take(site.store, ("measure", "plates", "look"), 1) for _ in range(2)]
    assert [task.kind for task in taken if task] == ["measure", "look"]


def test_a_photo_that_is_being_looked_at_is_not_asked_for_again(site: Site) -> None:
    assert queue.ask_for_each(site.store, "look", "lot", ["1-north/a.jpg", "1-north/b.jpg"]) == 2
    assert queue.take(site.store, ("look",), 1) is not None
    assert queue.ask_for_each(site.store, "look", "lot", ["1-north/a.jpg", "1-north/b.jpg", "1-north/c.jpg"]) == 1


def test_asked_for_again_while_it_runs_it_is_done_once_more(site: Site) -> None:
    queue.ask(site.store, "measure", "lot")
    first = queue.take(site.store, EVERY_KIND, 1)
    assert first is not None
    assert queue.ask(site.store, "measure", "lot")
    assert queue.take(site.store, EVERY_KIND, 2) is None
    queue.end(site.store, first.number)
    assert queue.take(site.store, EVERY_KIND, 2) is not None


def test_a_worker_that_only_looks_measures_nothing(site: Site) -> None:
    queue.ask(site.store, "measure", "lot")
    assert queue.take(site.store, ("look",), 1) is None


def test_what_ran_when_its_process_ended_waits_again_and_only_that(site: Site) -> None:
    for job in ("lot", "other"):
        queue.ask(site.store, "measure", job)
    queue.take(site.store, EVERY_KIND, 11)
    queue.take(site.store, EVERY_KIND, 22)
    queue.put_back(site.store, 11)
    assert states(site) == [("measure", "waiting")]
    assert [task.state for task in queue.tasks_of(site.store, "other")] == ["running"]
    queue.put_back(site.store)
    assert [task.state for task in queue.tasks_of(site.store, "other")] == ["waiting"]


def test_what_was_asked_for_again_meanwhile_waits_once(site: Site) -> None:
    queue.ask(site.store, "measure", "lot")
    queue.take(site.store, EVERY_KIND, 1)
    queue.ask(site.store, "measure", "lot")
    queue.put_back(site.store)
    assert states(site) == [("measure", "waiting")]


def test_what_ends_its_process_three_times_is_given_up_and_says_so(site: Site) -> None:
    queue.ask(site.store, "measure", "lot")
    for _ in range(queue.MOST_TRIES):
        assert queue.take(site.store, EVERY_KIND, 1) is not None
        queue.put_back(site.store, 1)
    assert states(site) == [("measure", "failed")]
    assert "ended three times" in queue.tasks_of(site.store, "lot")[0].said


def test_a_fault_is_told_and_does_not_stop_the_queue(site: Site, monkeypatch: pytest.MonkeyPatch) -> None:
    site.joined().photo(a_jpeg(1))

    def broken(*_: object, **__: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(worker, "look_at", broken)
    monkeypatch.setattr(worker, "measure_job", broken)
    queue.ask(site.store, "measure", "lot")
    for _ in range(2):
        task = queue.take(site.store, EVERY_KIND, 1)
        assert task is not None
        worker.run_task(site.store, task)
    (task,) = queue.tasks_of(site.store, "lot")
    assert (task.kind, task.state) == ("measure", "failed")
    assert "ZeroDivisionError" in task.said
    assert not (site.folder / "lot" / "out" / "survey.json").exists()


def test_a_job_that_is_gone_is_told(site: Site) -> None:
    queue.ask(site.store, "measure", "gone")
    task = queue.take(site.store, EVERY_KIND, 1)
    assert task is not None
    worker.run_task(site.store, task)
    assert queue.tasks_of(site.store, "gone")[0].state == "failed"


def test_results_that_no_measurement_wrote_are_not_written_over(site: Site) -> None:
    site.joined().photo(a_jpeg(1))
    (site.folder / "lot" / "out").mkdir()
    (site.folder / "lot" / "out" / "report.pdf").write_text("mine")
    queue.ask(site.store, "measure", "lot")
    task = queue.take(site.store, ("measure",), 1)
    assert task is not None
    worker.run_task(site.store, task)
    (task,) = (one for one in queue.tasks_of(site.store, "lot") if one.kind == "measure")
    assert "is in the way" in task.said
    assert (site.folder / "lot" / "out" / "report.pdf").read_text() == "mine"


def test_the_schema_says_its_version(site: Site) -> None:
    with reading(site.store) as connection:
        assert connection.execute("PRAGMA user_version").fetchone()[0] == 2
        assert connection.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
