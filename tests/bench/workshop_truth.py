"""The truth of a workshop photo as JSON: what the renderer drew, in mm and degrees."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import workshop_part as wp
from workshop_scene import Print, Scene, project


def truth_of(scene: Scene, name: str, file: str) -> dict[str, Any]:
    rotation, shift = scene.pose()
    features = [f for piece in _features(scene.plate) for f in [_placed(piece, rotation, shift)]]
    return {
        "schema": "bench-photo-truth/1",
        "scene": name,
        "title": f"drawn plate, seed {scene.seed}",
        "kind": "plate on the bench" if scene.height == scene.plate.thickness else "raised plate",
        "units": "mm, deg",
        "world": f"{scene.prints[0].piece.name} coordinates: origin at the top-left corner of the printed pattern, x right, "
        "y down, z into the bench",
        "hard_lamp": scene.hard,
        "targets": [_target(p) for p in scene.prints],
        "parts": [
            {
                "name": "plate",
                "material": scene.material,
                "thickness": scene.plate.thickness,
                "edge_radius": scene.plate.rounding,
                "pose_part_to_world": {"R": rotation.tolist(), "t": shift.tolist()},
                "feature_plane_height_above_target": scene.height,
            }
        ],
        "features": features,
        "dimensions": [],
        "photos": [_photo(scene, features, file)],
    }


def _target(p: Print) -> dict[str, Any]:
    c, s = math.cos(p.turn), math.sin(p.turn)
    nominal = [p.piece.width, p.piece.height]
    return {
        "piece": p.piece.name,
        "squares": [p.piece.columns, p.piece.rows],
        "square_mm_nominal": p.piece.square,
        "marker_mm_nominal": p.piece.marker,
        "first_id": p.piece.first_id,
        "last_id": p.piece.first_id + p.piece.board_id_count - 1,
        "print_scale": list(p.scale),
        "pattern_mm_nominal": nominal,
        "pattern_mm_true": [n * k for n, k in zip(nominal, p.scale, strict=True)],
        "caliper_mm": list(p.caliper),
        "pose_piece_to_world": {"R": [[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]], "t": [*p.shift, 0.0]},
    }


def _features(plate: wp.Plate) -> list[dict[str, Any]]:
    every: list[dict[str, Any]] = []
    for piece in plate.outline:
        if isinstance(piece, wp.Line):
            every.append(
                {
                    "name": piece.name,
                    "kind": "straight edge",
                    "p0_part": piece.p0,
                    "p1_part": piece.p1,
                    "length": piece.length,
                }
            )
        else:
            every.append(
                {
                    "name": piece.name,
                    "kind": "arc edge",
                    "centre_part": piece.centre,
                    "radius": piece.radius,
                    "p0_part": piece.at(0),
                    "mid_part": piece.at(0.5),
                    "p1_part": piece.at(1),
                    "start_angle_deg_in_part_axes": math.degrees(piece.start),
                    "sweep_deg": math.degrees(piece.sweep),
                    "length": piece.length,
                    "material_side": "inside" if piece.sweep > 0 else "outside",
                }
            )
    for slot in plate.slots:
        a, b = slot.ends()
        every.append(
            {
                "name": slot.name,
                "kind": "slot",
                "centre_part": slot.centre,
                "end_centre_a_part": a,
                "end_centre_b_part": b,
                "length_overall": slot.length,
                "width": slot.width,
                "angle_deg_in_part_axes": math.degrees(slot.angle),
            }
        )
    every += [{"name": h.name, "kind": "hole", "centre_part": h.centre, "diameter": h.diameter} for h in plate.holes]
    return every


def _placed(feature: dict[str, Any], rotation: np.ndarray, shift: np.ndarray) -> dict[str, Any]:
    """The feature with every place of the part given in world coordinates too."""
    out: dict[str, Any] = {**feature, "part": "plate"}
    for key, place in feature.items():
        if key.endswith("_part"):
            out[key] = list(place)
            out[key.removesuffix("_part") + "_world"] = (rotation @ [*place, 0.0] + shift).tolist()
    return out


def _photo(scene: Scene, features: list[dict[str, Any]], file: str) -> dict[str, Any]:
    camera = scene.camera
    width, height = camera.size
    lens = camera.lens
    points = [
        {"feature": f["name"], "point": key.removesuffix("_world"), "world": f[key]}
        for f in features
        for key in f
        if key.endswith("_world")
    ]
    px = project(lens, camera.rotation, camera.translation, np.array([p["world"] for p in points]))
    for point, (u, v) in zip(points, px.tolist(), strict=True):
        point["px_stored"] = [u, v]
        point["visible"] = bool(-0.5 < u < width - 0.5 and -0.5 < v < height - 0.5)
    turned = scene.orientation in (6, 8)
    return {
        "file": file,
        "stored_size": [width, height],
        "exif_orientation": scene.orientation,
        "displayed_size": [height, width] if turned else [width, height],
        "camera_of_stored_pixels": {
            "name": "drawn",
            "width": width,
            "height": height,
            "fx": lens[0],
            "fy": lens[1],
            "cx": lens[2],
            "cy": lens[3],
            "dist_k1_k2_p1_p2_k3": lens[4:].tolist(),
        },
        "world_to_camera": {"R": camera.rotation.tolist(), "t": camera.translation.tolist()},
        "camera_centre_world": camera.centre.tolist(),
        "tilt_from_bench_normal_deg": camera.tilt,
        "psf_sigma_px": scene.psf,
        "check_points": points,
    }
