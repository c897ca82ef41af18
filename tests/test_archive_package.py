"""A package holds everything, byte for byte, in the open form other programs read; what cannot be held is refused."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest
from click.testing import CliRunner

from archive_jobs import a_job, list_sums, sealed, tiny_photo
from sillwright.archive.contents import read_contents
from sillwright.archive.package import is_name, lot_in, name_stem, read_record
from sillwright.cli.app import app
from sillwright.errors import ArchiveError, JobError
from sillwright.job import load_job


def others_accept(package: Path) -> None:
    """bagit's own validator, and the checksum programs of the system."""
    done = subprocess.run([sys.executable, "-m", "bagit", "--validate", "--quiet", str(package)], check=False)
    assert done.returncode == 0
    for program in (name for name in ("sha256", "sha512") if shutil.which(f"{name}sum")):  # not on every macOS
        for manifest in (f"manifest-{program}.txt", f"tagmanifest-{program}.txt"):
            done = subprocess.run(
                [f"{program}sum", "--check", "--strict", "--quiet", manifest], cwd=package, check=False
            )
            assert done.returncode == 0, manifest


def test_everything_is_in_it_byte_for_byte(tmp_path):
    job = a_job(tmp_path)
    store, one = sealed(tmp_path / "store", job)
    data = store.package(one.name) / "data"
    for path in job.photos:
        assert (data / "job" / path.name).read_bytes() == path.read_bytes()
    for path in job.out.rglob("*"):
        if path.is_file():
            assert (data / "results" / path.relative_to(job.out)).read_bytes() == path.read_bytes()
    assert (data / "job" / "job.toml").read_bytes() == (job.out / "job.toml").read_bytes()


def test_other_programs_accept_it(tmp_path):
    store, one = sealed(tmp_path / "store", a_job(tmp_path, profile="../../phone.json"))
    others_accept(store.package(one.name))
    assert (store.package(one.name) / "bagit.txt").read_text() == (
        "BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"  # RFC 8493, 2.1.1
    )


@pytest.mark.parametrize("profile", ["", "phone.json", "lens/phone.json", "../phone.json", "../../up/phone.json"])
def test_the_job_loads_from_the_package_alone(tmp_path, profile):
    store, one = sealed(tmp_path / "store", a_job(tmp_path / "here", profile=profile))
    (tmp_path / "here").rename(tmp_path / "gone")
    package = store.package(one.name)
    job = load_job(package / "data" / read_record(package).job_file)
    assert [job.file_name(photo) for photo in job.photos] == ["IMG_1.jpg", "IMG_2.jpg"]
    if profile:
        assert job.profile_path is not None
        assert job.profile_path.resolve().is_relative_to((package / "data" / "job").resolve())


@pytest.mark.parametrize("profile", ["/etc/hostname", "lens/../phone.json", "..\\phone.json"])
def test_a_profile_that_no_package_can_hold_is_told(tmp_path, profile):
    job = a_job(tmp_path)
    text = f'name = "Lot 7"\ncamera.profile = {profile!r}\n[[run]]\nname = "north"\nphotos = ["*.jpg"]\n'
    (job.out / "job.toml").write_text(text)
    survey = (job.out / "survey.json").read_text()
    (job.out / "survey.json").write_text(survey.replace('"measured_with"', '"measured_before"'))
    with pytest.raises(ArchiveError, match="Copy the profile beside the job file"):
        job.contents()


def test_what_it_says_of_itself(tmp_path):
    store, one = sealed(tmp_path / "store", a_job(tmp_path), signed_off="R. Díaz, quality")
    record = read_record(store.package(one.name))
    assert (record.job, record.lot, record.day, record.day_from) == ("Lot 7, garage", "7", "2026-05-22", "photos")
    assert record.signed_off is not None
    assert (record.signed_off.by, record.signed_off.at) == ("R. Díaz, quality", record.sealed_at)
    assert record.measured_by == "sillwright 0.1.0"
    assert record.measured_with == {"numpy": "2.4.6"}
    assert {"sillwright", "python"} <= set(record.sealed_with)
    assert one.name == "lot-7-garage-2026-05-22"


def test_sealing_the_same_again_changes_nothing(tmp_path):
    job = a_job(tmp_path)
    store, one = sealed(tmp_path / "store", job)
    before = {path: path.stat().st_mtime_ns for path in store.folder.rglob("*") if path.name != ".lock"}
    _, again = sealed(tmp_path / "store", job)
    assert (again.name, again.is_new) == (one.name, False)
    after = {path: path.stat().st_mtime_ns for path in store.folder.rglob("*") if path.name != ".lock"}
    assert {path for path in after if after[path] != before.get(path)} == {store.packages}  # it was built beside


def test_other_results_and_another_sign_off_are_packages_of_their_own(tmp_path):
    job = a_job(tmp_path)
    _, first = sealed(tmp_path / "store", job)
    _, second = sealed(tmp_path / "store", job, signed_off="quality checker")
    (job.out / "report.html").write_text("another")
    list_sums(job.out)
    store, third = sealed(tmp_path / "store", job)
    assert [first.name, second.name, third.name] == [f"lot-7-garage-2026-05-22{end}" for end in ("", "-2", "-3")]
    assert store.names() == sorted([first.name, second.name, third.name])


def test_a_photo_that_is_not_the_measured_one_is_refused(tmp_path):
    job = a_job(tmp_path)
    tiny_photo(job.photos[0], 200)
    with pytest.raises(ArchiveError, match=r"IMG_1\.jpg: the file is not the photo that was measured"):
        sealed(tmp_path / "store", job)
    assert list((tmp_path / "store" / "packages").iterdir()) == []


def test_a_missing_photo_and_a_job_file_written_in_since_are_refused(tmp_path):
    job = a_job(tmp_path)
    job.photos[0].unlink()
    with pytest.raises(ArchiveError, match=r"photo IMG_1\.jpg is not in"):
        job.contents()
    (job.out / "job.toml").write_text((job.out / "job.toml").read_text() + '[bolts]\ndiameter = "5/8 in"\n')
    with pytest.raises(JobError, match=r"\[bolts\] is not what survey.json was measured with"):
        job.contents()


def test_a_new_photo_that_the_patterns_match_is_not_sealed_with_the_old_ones(tmp_path):
    job = a_job(tmp_path)
    tiny_photo(job.folder / "IMG_3.jpg")
    store, one = sealed(tmp_path / "store", job)
    assert not list(store.package(one.name).rglob("IMG_3.jpg"))


@pytest.mark.parametrize(
    "photo",
    [
        "with space.jpg",
        "a  b 'c' \"d\" $e;f&g.jpg",
        "foto ñ 写真 🏠.jpg",
        "dots...a..jpg",
        "-rf.jpg",
        "x" * 251 + ".jpg",
        "deep/er/IMG_1.jpg",
        "*[1]?.jpg",
        "#.jpg",
        "~.jpg",
    ],
)
def test_odd_names_are_kept_as_they_are(tmp_path, photo):
    store, one = sealed(tmp_path / "store", a_job(tmp_path, photos=[photo]))
    package = store.package(one.name)
    assert (package / "data" / "job" / photo).is_file()
    others_accept(package)


@pytest.mark.parametrize("photo", ["50%.jpg", "a%0Ab.jpg", "a\nb.jpg", "a\rb.jpg", "a\tb.jpg", "a\\b.jpg", "a\x7f.jpg"])
def test_names_that_lists_of_checksums_cannot_hold_are_refused(tmp_path, photo):
    with pytest.raises(ArchiveError, match="Rename it, and measure again"):
        a_job(tmp_path, photos=[photo]).contents()


def test_one_name_in_two_spellings_is_refused(tmp_path):
    name = "señal.jpg"
    with pytest.raises(ArchiveError, match="two spellings"):
        a_job(tmp_path, photos=[unicodedata.normalize(form, name) for form in ("NFC", "NFD")]).contents()


def test_names_that_differ_in_case_only_are_both_kept(tmp_path):
    store, one = sealed(tmp_path / "store", a_job(tmp_path, photos=["img.jpg", "IMG.jpg"]))
    package = store.package(one.name)
    assert {path.name for path in (package / "data" / "job").glob("*.jpg")} == {"img.jpg", "IMG.jpg"}
    others_accept(package)


@pytest.mark.parametrize(
    ("photos", "is_told"),
    [(["img.jpg", "IMG.jpg"], True), (["a/1.jpg", "A/1.jpg"], True), (["a/1.jpg", "A/2.jpg"], False)],
)
def test_archive_tells_which_names_a_disk_may_take_for_one(tmp_path, photos, is_told):
    job = a_job(tmp_path, photos=photos)
    words = ["archive", job.out, "-o", tmp_path / "store", "--photos", job.folder]
    done = CliRunner().invoke(app, [str(word) for word in words])
    assert done.exit_code == 0
    assert ("differ in large and small letters only" in done.stderr) == is_told
    assert all(f"'job/{photo}'" in done.stderr for photo in photos) == is_told


def test_jobs_whose_names_differ_in_case_only_get_folders_that_differ_in_more(tmp_path):
    _, one = sealed(tmp_path / "store", a_job(tmp_path / "1", "Lot 7"))
    _, other = sealed(tmp_path / "store", a_job(tmp_path / "2", "LOT 7"))
    assert one.name.casefold() != other.name.casefold()


@pytest.mark.parametrize("job", ["x" * 300, "写真", "../../etc", ".", "a/b", "  ", "CON", "Lot\u202e7", "é" * 300])
def test_whatever_a_job_is_called_its_package_has_a_plain_name(tmp_path, job):
    name = name_stem(job, "2026-05-22")
    assert is_name(name)
    assert len(name) < 80


@pytest.mark.parametrize(
    ("job", "lot"),
    [("Lot 12, garage", "12"), ("garage, LOT #7b", "7b"), ("Pilot 3", ""), ("lot no. 4", "4"), ("x", "")],
)
def test_the_lot_is_read_from_the_name(job, lot):
    assert lot_in(job) == lot


def test_a_file_of_the_results_with_such_a_name_is_to_be_renamed_and_not_measured_again(tmp_path):
    job = a_job(tmp_path)
    (job.out / "50% done.txt").write_text("x")
    with pytest.raises(ArchiveError, match="Rename it, or take it away"):
        job.contents()


@pytest.mark.parametrize("where", ["near", "out", "above"])
def test_the_photos_are_found_where_they_usually_lie(tmp_path, where):
    job = a_job(tmp_path / "job")
    out = {"near": job.out, "out": job.folder, "above": job.folder / "sillwright-out"}[where]
    if where != "near":
        shutil.copytree(job.out, out, dirs_exist_ok=True)
    contents = read_contents(out, None, job.folder if where == "near" else tmp_path)
    assert contents.files["job/IMG_1.jpg"].samefile(job.photos[0])


def test_photos_that_are_not_found_are_asked_for(tmp_path):
    job = a_job(tmp_path / "job")
    with pytest.raises(ArchiveError, match=r"with --photos, so that IMG_1\.jpg lies in it"):
        read_contents(job.out, None, tmp_path)


@pytest.mark.parametrize("inner", ["store in results", "results in store"])
def test_a_store_and_results_do_not_lie_in_each_other(tmp_path, inner):
    job = a_job(tmp_path)
    store = job.out / "store" if inner == "store in results" else tmp_path
    done = CliRunner().invoke(app, ["archive", str(job.out), "-o", str(store), "--photos", str(job.folder)])
    assert done.exit_code == 2
    assert "lies in the other" in done.output


def test_links_in_the_results_are_refused(tmp_path):
    job = a_job(tmp_path)
    (job.out / "notes.txt").symlink_to("/etc/hostname")
    with pytest.raises(ArchiveError, match=r"notes\.txt is a link"):
        job.contents()


def test_results_in_the_jobs_own_folder_are_not_kept_twice(tmp_path):
    job = a_job(tmp_path)
    for path in job.out.rglob("*"):
        if path.is_file():
            (job.folder / path.relative_to(job.out)).parent.mkdir(exist_ok=True)
            path.rename(job.folder / path.relative_to(job.out))
    store, one = sealed(tmp_path / "store", type(job)(job.folder, job.folder))
    assert len(list(store.package(one.name).rglob("IMG_1.jpg"))) == 1


def test_a_sealed_file_may_not_be_written(tmp_path):
    store, one = sealed(tmp_path / "store", a_job(tmp_path))
    for path in store.package(one.name).rglob("*"):
        assert path.is_dir() or path.stat().st_mode & 0o222 == 0


def test_a_folder_with_something_else_in_it_does_not_become_a_store(tmp_path):
    (tmp_path / "store").mkdir()
    (tmp_path / "store" / "mine.txt").write_text("mine")
    with pytest.raises(ArchiveError, match="is no store of packages"):
        sealed(tmp_path / "store", a_job(tmp_path))
    assert os.listdir(tmp_path / "store") == ["mine.txt"]  # noqa: PTH208
