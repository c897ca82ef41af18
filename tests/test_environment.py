"""The computer is fit to measure on, or says what to install."""

from __future__ import annotations

import subprocess
import sys
import time
from types import ModuleType, SimpleNamespace

import numpy as np
import pytest

from sillwright import environment
from sillwright.environment import _draw_test_board, check_environment, half_pixel_offset_px
from sillwright.errors import EnvironmentFault


def test_this_computer_is_fit() -> None:
    check_environment()


def test_corners_are_where_they_were_drawn() -> None:
    assert np.abs(half_pixel_offset_px()).max() < 0.005


def test_the_check_is_fast() -> None:
    check_environment()
    started = time.perf_counter()
    check_environment()
    assert time.perf_counter() - started < 0.25  # about 0.01 s on an idle computer; the rest is for a busy one


def test_every_edge_of_the_drawn_board_stands_between_whole_modules() -> None:
    import cv2

    drawn = _draw_test_board(cv2, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250))
    assert set(np.unique(drawn)) == {0, 255}
    columns_changing = np.flatnonzero((np.diff(drawn.astype(int), axis=1) != 0).any(axis=0)) + 1
    rows_changing = np.flatnonzero((np.diff(drawn.astype(int), axis=0) != 0).any(axis=1)) + 1
    assert set(columns_changing % 2) == set(rows_changing % 2) == {0}


def _with_opencv(monkeypatch: pytest.MonkeyPatch, **changed: object) -> None:
    """``environment`` sees the real OpenCV with some of its names changed."""
    import cv2

    stand_in = SimpleNamespace(**{"aruco": cv2.aruco, "__version__": cv2.__version__, **changed})
    monkeypatch.setattr(environment, "_import_opencv", lambda: stand_in)


def _aruco_with(detect: object) -> ModuleType:
    import cv2

    class Detector:
        def __init__(self, board: object) -> None:
            self.board = board

        def detectBoard(self, image: np.ndarray) -> object:
            return detect(cv2.aruco.CharucoDetector(self.board).detectBoard(image))

    names = {name: getattr(cv2.aruco, name) for name in dir(cv2.aruco)}
    return SimpleNamespace(**{**names, "CharucoDetector": Detector})


@pytest.mark.parametrize("shift_px", [(0.5, 0.5), (-0.5, 0.0), (0.5, -0.5), (0.0, 0.11)])
def test_a_library_that_is_half_a_pixel_off_is_refused(
    monkeypatch: pytest.MonkeyPatch, shift_px: tuple[float, float]
) -> None:
    def shifted(found: tuple) -> tuple:
        return (np.asarray(found[0]) + np.array(shift_px, np.float32), *found[1:])

    _with_opencv(monkeypatch, aruco=_aruco_with(shifted))
    with pytest.raises(EnvironmentFault, match="px away from where they are"):
        check_environment()


def test_a_library_that_finds_nothing_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    _with_opencv(monkeypatch, aruco=_aruco_with(lambda _found: (None, None, None, None)))
    with pytest.raises(EnvironmentFault, match="does not find"):
        check_environment()


@pytest.mark.parametrize("version", ["4.11.0", "4.13.0-dev", "3.4.1"])
def test_an_old_library_is_refused(monkeypatch: pytest.MonkeyPatch, version: str) -> None:
    _with_opencv(monkeypatch, __version__=version)
    with pytest.raises(EnvironmentFault, match=r"too old.*opencv-python>=5\.0"):
        check_environment()


@pytest.mark.parametrize(
    ("message", "says"),
    [
        ("libGL.so.1: cannot open shared object file: No such file or directory", "libGL.so.1 is missing.*libgl1"),
        ("libgthread-2.0.so.0: cannot open shared object file", "libgthread-2.0.so.0 is.*install libglib2.0-0"),
        ("libglib-2.0.so.0: cannot open shared object file", "apt-get install libglib2.0-0 libgl1"),
        ("libxcb.so.1: cannot open shared object file", "apt-get install libxcb1"),
        ("libother-9.so.3: cannot open shared object file", "apt-get install libgl1 libglib2.0-0"),
        ("No module named 'cv2'", "pip install --upgrade opencv-python"),
    ],
)
def test_a_missing_library_names_what_to_install(monkeypatch: pytest.MonkeyPatch, message: str, says: str) -> None:
    def fail(_name: str) -> ModuleType:
        raise ImportError(message)

    monkeypatch.setattr(environment, "importlib", SimpleNamespace(import_module=fail))
    with pytest.raises(EnvironmentFault, match=says) as caught:
        check_environment()
    assert caught.value.exit_code == 70


def test_the_check_can_be_imported_where_opencv_cannot() -> None:
    program = "import sys; sys.modules['cv2'] = None; import sillwright.environment as e; e.check_environment()"
    ended = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=False)
    assert "EnvironmentFault: OpenCV, which finds the cards" in ended.stderr
