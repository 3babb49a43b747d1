"""The exact truth of a rendered photo, in the fields of the development renders."""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np

from camera_effects import look_facts
from kit_geometry import STRIP_TOP_MM, KitParts, TraySize, tag_corners
from lighting import Light
from meshes import Array
from patch_truth import ORTHO_MM, mould_facts, patch_facts, rounded, spot_facts
from path_tracing import TracedScene
from scene_builder import hose_height
from scene_plan import PhotoPlan, TrayPlan, standing
from viewpoints import Camera

CLASSES = ("background", "tray plastic", "seed/root mat", "shoot", "mould", "kit", "slime")
MOULD_SHARE = 0.25


def class_mask(shares: Array, *, with_neighbours: bool) -> Array:
    """Classes (height, width) uint8 from bin shares (height, width, 14)."""
    main, others = shares[..., :7].copy(), shares[..., 7:]
    if with_neighbours:
        main += others
    else:
        main[..., 0] += others.sum(-1)
    mask: Array = main.argmax(-1).astype(np.uint8)
    mask[main[..., 4] >= MOULD_SHARE] = 4
    return mask


def camera_facts(camera: Camera) -> dict[str, Any]:
    """The camera in OpenCV's model."""
    cx, cy = camera.centre_px
    return {
        "kind": camera.kind, "width": camera.width, "height": camera.height,
        "fx": camera.focal_px, "fy": camera.focal_px, "cx": cx, "cy": cy, "distortion": 0,
        "hfov_deg": camera.hfov_deg,
        "pixel_convention": "OpenCV: integer coordinates are pixel centres",
        "R_world_to_camera": camera.rotation.tolist(),
        "t_world_to_camera": camera.translation.tolist(),
        "position_mm": rounded(camera.position_mm),
    }  # fmt: skip


def _square_points(corners: Array, side: int, grow: float) -> Array:
    centre = corners.mean(0)
    first, second = corners[1] - corners[0], corners[3] - corners[0]
    step = ((np.arange(side) + 0.5) / side - 0.5) * grow
    u, v = np.meshgrid(step, step)
    return np.asarray(centre + u[..., None] * first + v[..., None] * second).reshape(-1, 3)


def tag_facts(
    scene: TracedScene, camera: Camera, tray: TrayPlan, shift: Array, plan: PhotoPlan
) -> list[dict[str, Any]]:
    """Corners in px and visible fractions of the tags that the tray carries."""
    facts = []
    for corner, points in enumerate(tag_corners(tray.size) + shift):
        if not _carried(tray.kit, corner):
            continue
        pixels = camera.project(points)
        number = tray.head_number if corner >= 4 else tray.number
        edges = np.linalg.norm(pixels - np.roll(pixels, 1, 0), axis=1)
        # The rays stop 0.6 mm short, so that drops lying flat on a tag leave it visible.
        black = scene.visible(_square_points(points, 24, 1.0))
        chip = scene.visible(_square_points(points, 30, 4 / 3))
        touched = [o.kind for o in plan.occluders if o.corner == corner] if not shift.any() else []
        facts.append({
            "corner": corner, "id": 6 * number + corner, "corners_px": rounded(pixels, 3),
            "edge_px": round(float(edges.mean()), 2),
            "visible_fraction": round(float(black.mean()), 4),
            "visible_fraction_with_quiet_zone": round(float(chip.mean()), 4),
            "disturbed": touched,
        })  # fmt: skip
    return facts


def _carried(kit: KitParts, corner: int) -> bool:
    return kit.strip if corner >= 4 else kit.bar_a if corner < 2 else kit.bar_b


def strip_facts(scene: TracedScene, camera: Camera, size: TraySize) -> dict[str, Any]:
    """What is seen of the height strip, per 2 mm of height above the floor."""
    x, top = size.length_mm / 2, STRIP_TOP_MM + size.depth_mm
    rows = int(top // 2)
    z = (np.arange(rows) + 0.5) * 2 - size.depth_mm
    y = (np.arange(20) + 0.5) * 1.5 - 15
    zz, yy = np.meshgrid(z, y, indexing="ij")
    points = np.stack([np.full_like(zz, x - 0.2), yy, zz], 2)
    profile = scene.visible(points.reshape(-1, 3)).reshape(rows, 20).mean(1)
    pixels = camera.project(points.reshape(-1, 3))
    frame = np.array([camera.width, camera.height]) - 0.5
    framed = ((pixels >= -0.5) & (pixels < frame)).all(1).reshape(rows, 20).mean(1) >= 0.5
    highest = int(np.max(np.nonzero(framed)[0])) + 1 if framed.any() else 0
    seen = profile[:highest] >= 0.5
    lowest = highest - int(np.argmin(seen[::-1])) if highest and not seen.all() else 0
    corners = np.array(
        [[x, 15, -size.depth_mm], [x, -15, -size.depth_mm], [x, -15, 180], [x, 15, 180]]
    )
    away = camera.position_mm - np.array([x, 0, 0])
    return {
        "corners_px": rounded(camera.project(corners)),
        "angle_off_vertical_deg": round(float(np.degrees(np.arctan2(-away[0], away[2]))), 2),
        "visible_profile_2mm": rounded(profile),
        "lowest_seen_mm": 2 * lowest if highest and seen.any() and lowest < highest else None,
        "lowest_seen_any_mm": 2 * int(np.argmax(profile > 0)) if (profile > 0).any() else None,
        "top_in_view_mm": 2 * highest,
    }  # fmt: skip


def _ortho(scene: TracedScene, plan: PhotoPlan, size: TraySize, shift: Array) -> tuple[Array, ...]:
    columns, rows = int(size.length_mm / ORTHO_MM), int(size.width_mm / ORTHO_MM)
    offsets = (np.array([0.25, 0.75]) * ORTHO_MM,) * 2
    base_x = np.arange(columns) * ORTHO_MM - size.length_mm / 2 + shift[0]
    base_y = np.arange(rows) * ORTHO_MM - size.width_mm / 2 + shift[1]
    hose = any(thing.kind == "hose" for thing in plan.occluders)
    top = hose_height(plan) - 8 if hose else 600.0
    counts = np.zeros((rows, columns, 14), np.float32)
    height = np.zeros((rows, columns))
    for dx in offsets[0]:
        for dy in offsets[1]:
            x, y = np.meshgrid(base_x + dx, base_y + dy)
            bins, z = scene.seen_from_above(x, y, top)
            counts[np.arange(rows)[:, None], np.arange(columns)[None], bins] += 0.25
            height += 0.25 * (z + size.depth_mm)
    return counts, height, x, y


def _heights(mask: Array, height: Array, x: Array, y: Array, size: TraySize) -> dict[str, Any]:
    matter = np.isin(mask, (2, 3, 4, 6))
    near = (x > size.length_mm / 2 - 40) & (np.abs(y) <= 40)
    end = x > size.length_mm / 2 - 40
    facts: dict[str, Any] = {}
    for name, region in (
        ("height", matter), ("height_shoots", mask == 3), ("height_at_strip", matter & near),
        ("height_at_strip_shoots", (mask == 3) & near), ("height_end_b", matter & end),
    ):  # fmt: skip
        for share in (50, 90, 98):
            values = height[region]
            facts[f"{name}_p{share}"] = (
                round(float(np.percentile(values, share)), 2) if values.size else None
            )
    return facts


def _cells(mask: Array, height: Array) -> dict[str, Any]:
    per = int(10 / ORTHO_MM)
    rows, columns = mask.shape[0] // per, mask.shape[1] // per
    cut = (slice(rows * per), slice(columns * per))
    shape = (rows, per, columns, per)
    cover = (mask[cut] == 3).reshape(shape).mean((1, 3))
    blocks = height[cut].reshape(shape).transpose(0, 2, 1, 3).reshape(rows, columns, -1)
    return {
        "cell_mm": 10, "rows": rows, "columns": columns,
        "cover": rounded(cover, 3), "height_mm": rounded(np.median(blocks, -1), 1),
        "note": "row 0 is y = -width/2, column 0 is x = -length/2",
    }  # fmt: skip


def _polygon_px(camera: Camera, points: Array) -> Array:
    mask = np.zeros((camera.height, camera.width), np.uint8)
    cv2.fillPoly(mask, [np.round(camera.project(points)).astype(np.int32)], 1)
    return np.asarray(mask > 0)


def photo_truth(
    plan: PhotoPlan, scene: TracedScene, camera: Camera, light: Light, mask: Array
) -> dict[str, Any]:
    """Everything that is known of the photo's main tray."""
    tray, size = plan.tray, plan.tray.size
    still = np.zeros(3)
    counts, height, x, y = _ortho(scene, plan, size, still)
    ortho = class_mask(counts, with_neighbours=False)
    half_x, half_y = size.length_mm / 2, size.width_mm / 2
    opening = _polygon_px(
        camera,
        np.array(
            [[-half_x, -half_y, 0], [half_x, -half_y, 0], [half_x, half_y, 0], [-half_x, half_y, 0]]
        ),
    )
    inside = mask[opening]
    return {
        "name": plan.name, "seed": plan.seed, "tray_seed": tray.seed, "kit_version": 2,
        "tray": _tray_facts(tray), "tray_number": tray.number, "head_number": tray.head_number,
        "day": tray.day, "crop": tray.crop,
        "camera": camera_facts(camera), "tags": tag_facts(scene, camera, tray, still, plan),
        "strip": strip_facts(scene, camera, size) if tray.kit.strip else None,
        "opening_px": int(opening.sum()), "cover_seen": round(float((inside == 3).mean()), 5),
        "seen_fractions": {n: round(float((inside == k).mean()), 5) for k, n in enumerate(CLASSES)},
        "cover_ortho": round(float((ortho == 3).mean()), 5),
        "cover_ortho_soft": round(float(counts[..., 3].mean()), 5),
        "ortho_fractions": {n: round(float((ortho == k).mean()), 5) for k, n in enumerate(CLASSES)},
        "canopy_height_mm": _heights(ortho, height, x, y, size),
        "ortho_grid": _cells(ortho, height),
        "mould": mould_facts(tray, camera, mask, (ortho, x, y)),
        "slime": [patch_facts(tray, camera, spot) for spot in tray.slime],
        "bare_spots": spot_facts(tray.bare), "thick_spots": spot_facts(tray.thick),
        "root_hair_fuzz": tray.hairs > 0,
        "lighting": {"kind": light.kind, "rgb": light.tint, "ambient": round(light.ambient, 3),
                     "illuminant": rounded(light.illuminant, 3)},
        "scene": _scene_facts(plan), "camera_effects": look_facts(plan.camera_look),
        "classes": list(CLASSES), "other_trays": _others(plan, scene, camera),
    }  # fmt: skip


def _tray_facts(plan: TrayPlan) -> dict[str, Any]:
    size = plan.size
    return {
        "length": size.length_mm,
        "width": size.width_mm,
        "depth": size.depth_mm,
        "plastic": plan.plastic,
    }


def _scene_facts(plan: PhotoPlan) -> dict[str, Any]:
    tray = plan.tray
    return {
        "germination": round(tray.stand.germination, 3),
        "shoots_per_cm2": round(tray.stand.per_cm2, 2),
        "vigour": round(tray.stand.vigour, 3), "lodging": round(tray.stand.lodging, 3),
        "yellow_share": round(tray.stand.yellow_share, 3), "fill_mm": round(tray.fill_mm, 1),
        "husks": round(tray.husk_share, 3), "droplets": round(tray.drops_per_cm2, 2),
        "standing_water": len(tray.water), "scraps": tray.scraps, "shelf": plan.shelf,
        "occluders": [{"kind": o.kind, "corner": o.corner} for o in plan.occluders], **plan.facts,
    }  # fmt: skip


def _others(plan: PhotoPlan, scene: TracedScene, camera: Camera) -> list[dict[str, Any]]:
    found = []
    for neighbour in plan.neighbours:
        shift, other = standing(plan.tray, neighbour), neighbour.plan
        if not other.kit.bar_a:
            continue
        counts, *_ = _ortho(scene, plan, other.size, shift)
        bins = counts[..., 7:].argmax(-1)
        found.append({
            "tray_number": other.number, "head_number": other.head_number,
            "tray": _tray_facts(other),
            "shift_mm": rounded(shift), "day": other.day, "crop": other.crop,
            "tags": tag_facts(scene, camera, other, shift, plan),
            "cover_ortho": round(float((bins == 3).mean()), 5),
        })  # fmt: skip
    return found
