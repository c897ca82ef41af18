"""Adjusted places to records: stations, setbacks, leans, each with the half-width of its 95 % interval."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from sillwright.camera import Array, Camera, Pose
from sillwright.measure.block import Block
from sillwright.measure.by_hand import BY_HAND
from sillwright.measure.misfit import CARD_TILT_LIMIT_DEG, card_tilt_deg
from sillwright.measure.scale import ScaleVerdict
from sillwright.measure.verdict import Judged
from sillwright.see.edges import WallEdges
from sillwright.solve.axis import sensitivities
from sillwright.solve.climb import FOOT_SIGMA_MM
from sillwright.solve.hand import hand_sensitivities
from sillwright.solve.state import (
    CardState,
)
from sillwright.survey import (
    BoltRecord,
    BoltU95,
    CameraRecord,
    CardRecord,
    EdgeRecord,
    Finding,
    PhotosAlone,
    Status,
    ViewRecord,
)

# What the edges do not show, one standard deviation: concrete round a base is rough and pasted over (no source).
BASE_ROUGHNESS_MM = 0.2
TIP_SHAPE_MM = 0.2
TIP_HEIGHT_SHAPE_MM = 0.4
LINE_ON_ROUGH_CONCRETE_MM = 0.12
# What a lens that was not calibrated leaves beyond its own nine numbers: setbacks of rendered photos came out as well
# without a profile as with one, and are not to be claimed any better.
LENS_UNKNOWN_MM = 0.15
LENS_KNOWN_SHARE = 0.01  # of the focal length: a calibration knows it to 0.0002, EXIF to 0.04
SETBACK_LIMIT_MM = 1.5875  # 1/16 in
LEAN_LIMIT_DEG = 2.0
CARD_CURL_LIMIT_MM = 1.2


def bolt_covariance(block: Block, judged: Judged, chamfer_mm: float) -> Array:
    """Covariance (7, 7) of a bolt's numbers: edges, points marked by hand, cameras, lens, scale, and what none sees."""
    found, fit, solution = judged.found, judged.found.fit, block.solution
    layout = solution.layout
    gain = np.zeros((7, layout.size))
    of_edges = sensitivities(found.views, fit, chamfer_mm) if found.views else ((), ())
    of_points = hand_sensitivities(found.hand, fit.parameters, fit.covariance)
    seen_in = [*(view.photo for view in found.views), *(point.photo for point in found.hand)]
    moves = list(zip(seen_in, (*of_edges[0], *of_points[0]), (*of_edges[1], *of_points[1]), strict=True))
    for photo, by_pose, by_lens in moves:
        gain[:, layout.pose(photo)] += by_pose
        gain[:, layout.lens(block.problem.lens_of_photo[photo])] += by_lens
    inflation = max(1.0, solution.variance_factor)
    cameras = gain @ solution.covariance @ gain.T * inflation
    unseen = np.diag(
        [
            BASE_ROUGHNESS_MM**2,
            BASE_ROUGHNESS_MM**2 + LINE_ON_ROUGH_CONCRETE_MM**2,
            TIP_SHAPE_MM**2,
            TIP_SHAPE_MM**2,
            TIP_HEIGHT_SHAPE_MM**2,
            0.0,
            0.0,
        ]
    )
    known = all(_is_calibrated(block, photo) for photo in seen_in)
    unknown = np.diag([1.0, 1.0, 1.0, 1.0, 1.0, 0.0, 0.0]) * (0.0 if known else LENS_UNKNOWN_MM**2)
    unsure = np.zeros((7, 7)) if found.unsure is None else found.unsure
    return fit.covariance + cameras + unseen + unknown + unsure


def _is_calibrated(block: Block, photo: int) -> bool:
    mean, covariance = block.problem.lens_prior[block.problem.lens_of_photo[photo]]
    return float(np.sqrt(covariance[0, 0])) < LENS_KNOWN_SHARE * float(mean[0])


def bolt_record(
    block: Block,
    judged: Judged,
    mark: str,
    y_sign: float,
    diameter_mm: float,
    chamfer_mm: float,
    scale: ScaleVerdict,
    names: Sequence[str],
) -> BoltRecord:
    """One bolt's record in the run frame."""
    alone, as_before = judged.photos_alone, (mark, y_sign, diameter_mm, chamfer_mm, scale, names)
    fit = judged.found.fit
    covariance = bolt_covariance(block, judged, chamfer_mm)
    bx, by, tx, ty, tz = (float(v) for v in fit.parameters[:5])
    flip = np.array([1.0, y_sign])
    base = flip * [bx, by]
    lean = flip * [tx - bx, ty - by]
    by_hand = tuple(dict.fromkeys(names[point.photo] for point in judged.found.hand))
    photos = tuple(dict.fromkeys([*(names[view.photo] for view in judged.found.views), *by_hand]))
    by_scale = 0.0 if scale.source in ("tape", "check length", "bolts") else scale.u95_ratio
    station_u95 = np.hypot(_u95(covariance[0, 0]), by_scale * abs(base[0]))
    setback_u95 = np.hypot(_u95(covariance[1, 1]), by_scale * abs(base[1]))
    with_lean = fit.height_known or judged.found.stated
    doubts = list(judged.doubts)
    lean_deg, lean_u95, lean_deg_u95, stickup, stickup_u95 = _lean(covariance, lean, tz)
    lean_u95 = np.hypot(lean_u95, by_scale * np.abs(lean))
    if fit.height_known:
        stickup_u95 = float(np.hypot(stickup_u95, by_scale * stickup))
    if setback_u95 > SETBACK_LIMIT_MM or (with_lean and lean_deg_u95 > LEAN_LIMIT_DEG):
        doubts.append("wide-interval")
    if not scale.trusted:
        doubts.extend(scale.codes)
    status: Status = "check" if doubts else "ok"
    return BoltRecord(
        mark=mark,
        station_mm=float(base[0]),
        setback_mm=float(base[1]),
        lean_along_mm=float(lean[0]) if with_lean else None,
        lean_across_mm=float(lean[1]) if with_lean else None,
        lean_deg=lean_deg if with_lean else None,
        stickup_mm=stickup if with_lean else None,
        stickup_from=("photos" if fit.height_known else "stated") if with_lean else None,
        diameter_mm=diameter_mm,
        u95=BoltU95(
            station_mm=float(station_u95),
            setback_mm=float(setback_u95),
            lean_along_mm=float(lean_u95[0]) if with_lean else None,
            lean_across_mm=float(lean_u95[1]) if with_lean else None,
            lean_deg=lean_deg_u95 if with_lean else None,
            stickup_mm=stickup_u95 if with_lean else None,
        ),
        photos=photos,
        status=status,
        reasons=_reasons([*doubts, *judged.notes], photos, by_hand, scale, judged.bow_mm),
        photos_alone=None if alone is None else _numbers(bolt_record(block, alone, *as_before)),
    )


def _numbers(bolt: BoltRecord) -> PhotosAlone:
    """What the photos alone said of a bolt that a person moved since."""
    return PhotosAlone(
        station_mm=bolt.station_mm,
        setback_mm=bolt.setback_mm,
        lean_along_mm=bolt.lean_along_mm,
        lean_across_mm=bolt.lean_across_mm,
        lean_deg=bolt.lean_deg,
        stickup_mm=bolt.stickup_mm,
        u95=bolt.u95,
    )


def in_run(points_mm: Array, y_sign: float) -> Array:
    """Points (N, 3) of the wall frame in the frame of the run."""
    return np.asarray(points_mm * np.array([1.0, y_sign, 1.0]))


def _reasons(
    codes: Sequence[str],
    photos: tuple[str, ...],
    by_hand: tuple[str, ...],
    scale: ScaleVerdict,
    bow_mm: float | None,
) -> tuple[Finding, ...]:
    """A finding for each code; of a correction by hand with the photos it was marked in, of a scale conflict with the
    cards taped between."""
    own = tuple(
        Finding(code, by_hand if code == BY_HAND else photos, (), bow_mm if code == "bent" else None)
        for code in dict.fromkeys(codes)
        if code != "scale-conflict"
    )
    return (*own, *scale.conflicts)


def _u95(variance: float) -> float:
    return 1.96 * float(np.sqrt(max(variance, 0.0)))


def _lean(covariance: Array, lean: Array, height_mm: float) -> tuple[float, Array, float, float, float]:
    """Lean angle, u95 of its two parts, u95 of the angle, stick-up and its u95."""
    across = covariance[:5, :5]
    to_lean = np.array([[-1.0, 0.0, 1.0, 0.0, 0.0], [0.0, -1.0, 0.0, 1.0, 0.0]])
    spread = to_lean @ across @ to_lean.T
    parts = np.array([_u95(spread[0, 0]), _u95(spread[1, 1])])
    squared = float(lean @ lean)
    tangent = float(np.sqrt(squared)) / height_mm
    # Far from plumb what counts is the spread along the lean; at plumb all of it adds to the angle (Rayleigh's law).
    every = float(np.trace(spread))
    far = squared / (squared + every)
    along = float(lean @ spread @ lean) / squared if squared > 0.0 else 0.0
    from_height = tangent**2 * float(covariance[4, 4])
    variance = far * along + (1.0 - far) * every + from_height
    angle_u95 = float(np.degrees(_u95(variance) / height_mm / (1.0 + tangent**2)))
    stickup = float(np.hypot(np.linalg.norm(lean), height_mm))
    # The tip is known over the mean plane; the concrete at the bolt, from where a stick-up counts, is not so well.
    return float(np.degrees(np.arctan(tangent))), parts, angle_u95, stickup, _u95(covariance[4, 4] + FOOT_SIGMA_MM**2)


def card_record(number: int, card: CardState, y_sign: float) -> CardRecord:
    """One card's place; ``turn_deg`` is from the run's X to the card's long axis, positive toward +Y."""
    along = card.rotation[:2, 0]
    tilt = card_tilt_deg(card)
    reasons = []
    if tilt > CARD_TILT_LIMIT_DEG:
        reasons.append(Finding("card-tilted", (), (number,)))
    if abs(card.curl_mm) > CARD_CURL_LIMIT_MM:
        reasons.append(Finding("card-curled", (), (number,), value_mm=float(abs(card.curl_mm))))
    return CardRecord(
        number,
        float(card.origin_mm[0]),
        y_sign * float(card.origin_mm[1]),
        float(np.degrees(np.arctan2(y_sign * along[1], along[0]))),
        tilt,
        tuple(reasons),
    )


def edge_records(edges: Sequence[WallEdges], y_sign: float) -> tuple[EdgeRecord, ...]:
    """The wall's two edges as straight lines in the run frame, the median over the photos that show each."""
    records = []
    for side in (0, 1):
        seen = [edge for pair in edges if (edge := pair[side]) is not None]
        if seen:
            offset = float(np.median([edge.offset_mm for edge in seen]))
            slope = float(np.median([edge.slope for edge in seen]))
            records.append(EdgeRecord(y_sign * offset, y_sign * slope))
    return tuple(records)


def overhang_mm(edges: Sequence[EdgeRecord], plate_width_mm: float, stations_mm: Sequence[float]) -> float:
    """How far a plate on the line would hang over the wall's far edge, at the worst of these stations; 0 where none is
    seen beyond the line."""
    setbacks_mm = [edge.setback_at_zero_mm + edge.slope * at for edge in edges for at in stations_mm]
    beyond_mm = [setback for setback in setbacks_mm if setback > 0.0]
    return max(0.0, plate_width_mm - min(beyond_mm)) if beyond_mm else 0.0


def camera_record(camera: Camera) -> CameraRecord:
    """The lens in the record's form."""
    return CameraRecord(
        camera.width_px, camera.height_px, _rows(camera.matrix), tuple(float(v) for v in camera.distortion)
    )


def view_record(run: str, pose: Pose, y_sign: float) -> ViewRecord:
    """A pose in the run frame, left-handed where ``y_sign`` is -1."""
    rotation = pose.rotation @ np.diag([1.0, y_sign, 1.0])
    x, y, z = (float(v) for v in pose.translation_mm)
    return ViewRecord(run, _rows(rotation), (x, y, z))


def _rows(matrix: Array) -> tuple[tuple[float, float, float], ...]:
    return tuple((float(a), float(b), float(c)) for a, b, c in matrix)


def marks(run_names: Sequence[str]) -> dict[str, str]:
    """A short prefix for each run's bolts: as few first letters, in capitals, as tell the runs apart."""
    letters = {name: "".join(ch for ch in name.upper() if ch.isalnum()) or "R" for name in run_names}
    prefixes: dict[str, str] = {}
    for name, own in letters.items():
        others = [other for other_name, other in letters.items() if other_name != name]
        lengths = range(1, len(own) + 1)
        alone = (k for k in lengths if not any(other.startswith(own[:k]) for other in others))
        prefix = own[: next(alone, len(own))]
        prefixes[name] = f"{prefix}-" if prefix[-1].isdigit() else prefix
    return prefixes


def names_of(photos: Sequence[Path], names: Mapping[Path, str]) -> list[str]:
    """Record names of a block's photos."""
    return [names[path] for path in photos]
