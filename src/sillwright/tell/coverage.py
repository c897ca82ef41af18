"""A picture of where in the frame the calibration sheet was seen, and how well the lens explains it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from sillwright.solve.calibrate import Calibration
from sillwright.solve.determined import empty_places
from sillwright.whole_file import write_aside

Bgr = NDArray[np.uint8]

LONG_SIDE_PX = 1400
CAPTION_PX = 76
VECTOR_PX = 14.0  # how long the middle residual is drawn
PAPER = (250, 250, 248)
INK = (60, 50, 40)
EMPTY = (205, 215, 250)
SEEN = (240, 226, 205)
DOT = (150, 95, 30)
MISS = (40, 60, 200)


def coverage_words(calibration: Calibration) -> str:
    """One sentence on where the frame is empty."""
    covered = float(np.mean(calibration.coverage > 0))
    places = empty_places(calibration.coverage)
    if not places:
        return f"The sheet was seen in {covered:.0%} of the picture, with no large gap."
    return f"The sheet was seen in {covered:.0%} of the picture. Little or nothing was seen {', '.join(places)}."


def coverage_picture(calibration: Calibration) -> Bgr:
    """Corner counts for each cell of the frame, each corner, and its residual magnified; (H, W, 3) BGR."""
    camera = calibration.camera
    scale = LONG_SIDE_PX / max(camera.width_px, camera.height_px)
    width, height = round(camera.width_px * scale), round(camera.height_px * scale)
    picture = np.full((height + CAPTION_PX, width, 3), PAPER, dtype=np.uint8)
    _draw_cells(picture[:height], calibration.coverage)
    magnified = _magnification(calibration, scale)
    for view in calibration.views:
        at = (view.corners_px + 0.5) * scale - 0.5
        tip = at + view.residuals_px * scale * magnified
        for start, end in zip(np.round(at * 16).astype(int), np.round(tip * 16).astype(int), strict=True):
            cv2.line(picture, _pair(start), _pair(end), MISS, 1, cv2.LINE_AA, 4)
            cv2.circle(picture, _pair(start), 40, DOT, -1, cv2.LINE_AA, 4)
    picture[height:] = PAPER
    where = coverage_words(calibration)
    what = (
        f"Numbers: sheet corners in each part of the stored picture. Red: misfit of each corner, drawn {magnified:g} "
        f"times as large; rms {calibration.rms_px:.3f} pixels over {len(calibration.views)} photos."
    )
    for line, text in enumerate((where, what)):
        _write(picture, text, height + 28 + 30 * line)
    return picture


def write_coverage(calibration: Calibration, path: Path) -> None:
    """Write the picture as PNG, whole or not at all."""
    done, body = cv2.imencode(".png", coverage_picture(calibration))
    if not done:
        raise OSError(f"the picture {path} could not be packed")
    write_aside(path, body.tobytes())


def _draw_cells(frame: Bgr, coverage: NDArray[np.floating[Any]]) -> None:
    rows, columns = coverage.shape
    edges_y = np.round(np.linspace(0, frame.shape[0], rows + 1)).astype(int)
    edges_x = np.round(np.linspace(0, frame.shape[1], columns + 1)).astype(int)
    for row in range(rows):
        for column in range(columns):
            count = int(coverage[row, column])
            box = frame[edges_y[row] : edges_y[row + 1], edges_x[column] : edges_x[column + 1]]
            box[:] = SEEN if count else EMPTY
            box[:1] = box[:, :1] = PAPER
            at = (int(edges_x[column]) + 8, int(edges_y[row]) + 26)
            cv2.putText(frame, str(count), at, cv2.FONT_HERSHEY_SIMPLEX, 0.6, INK, 1, cv2.LINE_AA)


def _magnification(calibration: Calibration, scale: float) -> float:
    """A round number that draws the middle residual about 14 pixels long."""
    sizes = np.concatenate([np.linalg.norm(view.residuals_px, axis=1) for view in calibration.views])
    wanted = VECTOR_PX / max(float(np.median(sizes)) * scale, 1e-6)
    power = 10.0 ** np.floor(np.log10(wanted))
    return float(power * max(step for step in (1.0, 2.0, 5.0) if step * power <= wanted))


def _write(picture: Bgr, text: str, y: int) -> None:
    size = 0.55
    (wide, _), _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, size, 1)
    size *= min(1.0, (picture.shape[1] - 24) / wide)
    cv2.putText(picture, text, (12, y), cv2.FONT_HERSHEY_SIMPLEX, size, INK, 1, cv2.LINE_AA)


def _pair(point: NDArray[np.int64]) -> tuple[int, int]:
    return int(point[0]), int(point[1])
