"""Ribs along a round bar: reinforcing steel carries them, a threaded bolt does not.

Deformed bars have ribs at most 0.7 bar diameters apart (ASTM A615, from memory: 0.350 in for a No. 4 bar), that is
5 to 13 mm for the sizes that could be taken for a sill bolt; threads are 1.75 to 2.5 mm apart. So the shade along the
visible side of the bar is searched for a repeat at 5 to 13 mm.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from sillwright.camera import Array, Camera, Pose, project
from sillwright.see.patch import Patch

STEP_MM = 0.25
LINES = 13
REPEAT_MM = (5.0, 13.0)
LEAST_PX_PER_MM = 0.5  # along the bar, as foreshortened: below this ribs cannot be told from noise
FINE_MM, COARSE_MM = 0.8, 5.0
# Grey levels rms: noise repeats by chance. Where it did so along drawn plain and threaded bars it came to 1.35 at most,
# with up to four times the grain of a photo in daylight; drawn ribs mostly come to 2 and more, those of the rendered
# stub to 4.
FAINTEST = 1.5


@dataclass(frozen=True)
class Ribs:
    """How strongly the shade repeats along a bar (0 to 1), after how many mm, and how strong it is, grey levels rms."""

    strength: float
    repeat_mm: float
    shade: float


def rib_repeat(
    patch: Patch, camera: Camera, pose: Pose, base_mm: Array, tip_mm: Array, radius_mm: float
) -> Ribs | None:
    """What one photo shows of ribs along a bar; None where it is seen too end-on or its shade is no more than noise.

    Likeness does not know how strong a shade is, so lines whose shade is no more than noise are left out.
    """
    shade = _unrolled(patch, camera, pose, base_mm, tip_mm, radius_mm)
    if shade is None:
        return None
    wave = _smoothed(shade, FINE_MM / STEP_MM) - _smoothed(shade, COARSE_MM / STEP_MM)
    lags = np.arange(int((REPEAT_MM[0] - 1.0) / STEP_MM), int(REPEAT_MM[1] / STEP_MM))
    if wave.shape[1] < 2 * lags[-1]:
        return None
    alike = _three(np.stack([(wave[:, k:] * wave[:, :-k]).sum(axis=1) for k in lags], axis=1))
    so_far = np.cumsum(wave * wave, axis=1)
    without_first, without_last = so_far[:, -1:] - so_far[:, lags - 1], so_far[:, wave.shape[1] - lags - 1]
    power = np.sqrt(_three(without_first) * _three(without_last) + 1e-9)
    shade_rms = np.sqrt(power / (3.0 * (wave.shape[1] - lags)))
    if shade_rms.max() < FAINTEST:
        return None
    likeness = np.where(shade_rms > FAINTEST, alike / power, 0.0)
    best = Ribs(0.0, 0.0, float(shade_rms.max()))
    for line, shades in zip(likeness, shade_rms, strict=True):
        peaks = np.flatnonzero((line[1:-1] >= line[:-2]) & (line[1:-1] > line[2:])) + 1
        for k in peaks[peaks >= 4]:
            # A repeat rises out of a dip half a repeat before it; a slow change of shade does not.
            strength = min(float(line[k]), float(line[k] - line[:k].min()) / 1.2)
            if strength > best.strength:
                best = Ribs(strength, float(lags[k] * STEP_MM), float(shades[k]))
    return best


def _smoothed(shade: Array, sigma: float) -> Array:
    """Along each line, by a bell so many samples wide."""
    return np.asarray(cv2.GaussianBlur(shade, (2 * round(4.0 * sigma) + 1, 1), sigma, borderType=cv2.BORDER_REFLECT))


def _three(values: Array) -> Array:
    """Sums over three neighbouring lines: ribs run round the bar, noise does not."""
    return values[:-2] + values[1:-1] + values[2:]


def _unrolled(
    patch: Patch, camera: Camera, pose: Pose, base_mm: Array, tip_mm: Array, radius_mm: float
) -> Array | None:
    """Grey along lines of the visible side, (lines, steps along the bar)."""
    axis = tip_mm - base_mm
    length = float(np.linalg.norm(axis))
    a = axis / length
    v = pose.centre_mm - base_mm
    v = v - (v @ a) * a
    v = v / max(float(np.linalg.norm(v)), 1e-9)
    w = np.cross(a, v)
    along = np.arange(4.0, length - 5.0, STEP_MM)
    if len(along) < 40:
        return None
    rows = []
    for share in np.linspace(-0.9, 0.9, LINES):
        out = np.sqrt(1.0 - share**2) * v + share * w
        px = project(camera, pose, base_mm + along[:, None] * a + radius_mm * out)
        if np.linalg.norm(px[-1] - px[0]) / (along[-1] - along[0]) < LEAST_PX_PER_MM or not np.isfinite(px).all():
            return None
        at = (px - patch.origin_px).astype(np.float32)
        rows.append(cv2.remap(patch.smooth, at[None, :, 0], at[None, :, 1], cv2.INTER_LINEAR)[0])
    return np.array(rows, dtype=float)
