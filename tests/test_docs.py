"""The documentation says what the code does: every code, command, option, key and exit status is in the README."""

from __future__ import annotations

import ast
import importlib
import re
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from pydantic import BaseModel

from sillwright.cli.app import app
from sillwright.corrections_file import CorrectionsTable
from sillwright.errors import SillwrightError
from sillwright.job_file import JobTable, check_document
from sillwright.survey import (
    BoltRecord,
    BoltU95,
    CameraRecord,
    CardRecord,
    CornerRecord,
    EdgeRecord,
    Finding,
    PhotoRecord,
    PhotosAlone,
    RunRecord,
    Survey,
    ViewRecord,
)
from sillwright.survey_file import to_json
from sillwright.tell.reasons import REASONS, Reason, explain

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def reason_row(reason: Reason) -> str:
    """The row of the README's table for a code."""
    return f"| `{reason.code}` | {reason.subject} | {explain(Finding(reason.code), reason.subject)} |"


def fenced_blocks() -> list[tuple[str, str]]:
    """(language, text) of each fenced block."""
    return re.findall(r"^```(\w*)\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)


def option_rows() -> Iterator[tuple[str, str]]:
    """(command, option) for each option of each command; help is told of once for all."""
    yield "sillwright", "--version"
    for name, command in app.commands.items():
        for parameter in command.params:
            if isinstance(parameter, click.Option):
                for option in parameter.opts:
                    yield name, option


def job_keys(table: type[BaseModel] = JobTable, heading: str = "top") -> Iterator[tuple[str, str]]:
    """(heading, key) for each key of job.toml, by the models that read it."""
    for name, field in table.model_fields.items():
        key = field.alias or name
        inner = next((kind for kind in _kinds(field.annotation) if issubclass(kind, BaseModel)), None)
        if inner is None:
            yield heading, key
        else:
            many = "tuple" in str(field.annotation)
            path = f"{heading.strip('[]`')}.{key}" if heading != "top" else key
            yield from job_keys(inner, f"`[[{path}]]`" if many else f"`[{path}]`")


def _kinds(annotation: object) -> Iterator[type]:
    if isinstance(annotation, type) and not hasattr(annotation, "__args__"):
        yield annotation
    for part in getattr(annotation, "__args__", ()):
        yield from _kinds(part)


def exit_codes(error: type[SillwrightError] = SillwrightError) -> set[int]:
    return {error.exit_code}.union(*(exit_codes(kind) for kind in error.__subclasses__()))


@pytest.mark.parametrize("reason", REASONS, ids=lambda reason: f"{reason.subject}-{reason.code}")
def test_every_reason_code_has_its_row(reason: Reason) -> None:
    assert reason_row(reason) in README.splitlines()


def test_no_row_is_left_of_a_code_that_is_gone() -> None:
    rows = set(re.findall(r"^\| `([a-z-]+)` \| (?:photo|run|card|bolt|corner) \|", README, re.MULTILINE))
    assert rows == {reason.code for reason in REASONS}


@pytest.mark.parametrize(("command", "option"), sorted(option_rows()))
def test_every_option_is_told_of_under_its_command(command: str, option: str) -> None:
    told = README.split("## Commands")[1].split("\n## ")[0]
    start = told.index("| `sillwright`" if command == "sillwright" else f"| `sillwright {command}")
    rows = told[start:].splitlines()
    own = [rows[0], *_until_next_command(rows[1:])]
    assert any(f"`{option}`" in row for row in own)


def _until_next_command(rows: list[str]) -> Iterator[str]:
    for row in rows:
        if not row.startswith("| | "):
            return
        yield row


@pytest.mark.parametrize(("heading", "key"), sorted([*job_keys(), *job_keys(CorrectionsTable)]))
def test_every_key_of_the_job_file_and_of_corrections_has_its_row(heading: str, key: str) -> None:
    assert f"| {heading} | `{key}` |" in README


def test_keys_are_walked_to_the_innermost_table() -> None:
    assert {("`[cards]`", "check_length"), ("`[[run.tape]]`", "from_card"), ("top", "name")} <= set(job_keys())


def test_every_exit_status_is_told() -> None:
    told = README.split("| exit status |")[1].split("\n\n")[0]
    assert {int(code) for code in re.findall(r"^\| (\d+) \|", told, re.MULTILINE)} == exit_codes() | {0}


def test_every_key_of_the_record_is_told() -> None:
    told = README.split("## survey.json")[1]
    alone = PhotosAlone(0, 0, 0, 0, 0, 0, BoltU95())
    survey = Survey(
        "",
        (
            RunRecord(
                "",
                "ok",
                (Finding(""),),
                (BoltRecord("", 0, 0, 0, 0, 0, 0, None, 0, BoltU95(), (), "ok", (), alone),),
                (CardRecord(1, 0, 0, 0),),
                edges=(EdgeRecord(0, 0),),
            ),
        ),
        (CornerRecord(("", ""), 0, 0),),
        (PhotoRecord("", True, "ok", camera=CameraRecord(1, 1, (), ()), views=(ViewRecord("", (), (0, 0, 0)),)),),
    )
    keys = set(_keys(to_json(survey)))
    assert {key for key in keys if f"`{key}`" not in told} == set()


def _keys(value: object) -> Iterator[str]:
    if isinstance(value, dict):
        yield from value
        for item in value.values():
            yield from _keys(item)
    elif isinstance(value, list):
        for item in value:
            yield from _keys(item)


def test_the_first_two_blocks_are_one_command_each_with_its_own_environment() -> None:
    (_, demo), (_, tests) = fenced_blocks()[:2]
    for text in (demo, tests):
        assert "\n" not in text.replace("\\\n", "").strip()
        assert text.startswith("python3 -m venv ")
    assert "sillwright measure demo_images/" in demo
    assert '".[test]"' in tests
    assert "-m pytest" in tests


def test_the_job_file_shown_is_a_good_one() -> None:
    import tomllib

    (text,) = [text for language, text in fenced_blocks() if language == "toml"]
    table = check_document(tomllib.loads(text), Path("job.toml"))
    assert [run.name for run in table.run] == ["north", "east"]


def test_the_python_shown_imports_what_is_there() -> None:
    (text,) = [text for language, text in fenced_blocks() if language == "python"]
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.ImportFrom):
            assert node.module
            module = importlib.import_module(node.module)
            assert all(hasattr(module, name.name) for name in node.names)


@pytest.mark.parametrize("page", ["README.md", "DEVELOPERS.md", "demo_images/README.md", "calibration/README.md"])
def test_links_lead_to_files_that_are_there(page: str) -> None:
    text = (ROOT / page).read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        assert ((ROOT / page).parent / target).exists(), target


def test_every_module_is_on_the_developers_map() -> None:
    package = ROOT / "src" / "sillwright"
    missing = [
        path.relative_to(package).as_posix()
        for path in package.rglob("*.py")
        if path.name != "__init__.py" and f"`{path.name}`" not in DEVELOPERS
    ]
    assert missing == []


ROOMS = {
    "ground": {"ground"},
    "see": {"ground", "see"},
    "solve": {"ground", "see", "solve"},
    "measure": {"ground", "see", "solve", "measure"},
    "judge": {"ground", "judge"},
    "plates": {"ground", "judge", "plates"},
    "archive": {"ground", "judge", "plates", "archive"},
    "tell": {"ground", "solve", "judge", "plates", "archive", "tell"},
    "page": {"ground", "measure", "judge", "plates", "archive", "tell", "page"},
}


@pytest.mark.parametrize("room", ROOMS)
def test_each_room_imports_only_what_the_map_allows(room: str) -> None:
    package = ROOT / "src" / "sillwright"
    folder = package if room == "ground" else package / room
    paths = [path for path in folder.glob("*.py") if path.name != "__main__.py"]
    assert paths
    for path in paths:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("sillwright."):
                first = node.module.split(".")[1]
                used = first if (package / first).is_dir() else "ground"
                assert used in ROOMS[room], f"{path.name} imports {node.module}"


def test_no_word_was_left_standing_for_what_was_to_be_written() -> None:
    """A stand-in is a word in capitals that no sentence of ours needs."""
    known = {
        "README", "DEVELOPERS", "CARD", "CHECK", "JOB", "PHOTO", "HTML", "PDF", "JSON", "EXIF", "JPEG", "HEIC", "PNG",
        "TIFF", "FILE", "FOLDER", "SHOOT",
    }  # fmt: skip
    for name, text in (("README.md", README), ("DEVELOPERS.md", DEVELOPERS)):
        alone = re.findall(r"^([A-Z][A-Z_]{3,})$", text, re.MULTILINE)
        assert set(alone) <= known, name
        assert not re.search(r"\b(TODO|FIXME|TBD|XXX|PLACEHOLDER)\b", text), name
