"""Truth of spots on the bed: mould patches, slime, bare and thick places."""

from __future__ import annotations

from typing import Any

import numpy as np

from meshes import Array
from scene_builder import plan_bed
from scene_plan import TrayPlan
from seed_bed import Spot
from viewpoints import Camera

ORTHO_MM = 0.5


def rounded(values: Array | list[float], digits: int = 2) -> list[Any]:
    """Values as nested lists for the truth file."""
    nested: list[Any] = np.round(np.asarray(values, dtype=float), digits).tolist()
    return nested


def _nearest(spots: list[Spot], x: Array, y: Array) -> Array:
    gaps = [np.hypot(x - s.x_mm, y - s.y_mm) - s.radius_mm for s in spots]
    return np.asarray(np.argmin(gaps, axis=0))


def patch_facts(plan: TrayPlan, camera: Camera, spot: Spot) -> dict[str, Any]:
    """Outline, area and centre of a spot on the bed, in mm and px."""
    bed = plan_bed(plan)
    outline = spot.outline_mm()
    z = float(bed.top(np.array([spot.x_mm]), np.array([spot.y_mm]))[0])
    half = np.array([plan.size.length_mm, plan.size.width_mm]) / 2 - 1
    clipped = np.clip(outline, -half, half)
    x, y = clipped.T
    area = 0.5 * abs(float(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))))
    raised = np.column_stack([clipped, np.full(len(clipped), z)])
    centre = np.array([[spot.x_mm, spot.y_mm, z]])
    return {
        "centroid_mm": rounded(centre[0, :2]), "z_mm": round(z, 2), "area_mm2": round(area, 1),
        "equivalent_diameter_mm": round(2 * (area / np.pi) ** 0.5, 2),
        "centroid_px": rounded(camera.project(centre)[0], 1),
        "outline_mm": rounded(clipped, 1), "outline_px": rounded(camera.project(raised), 1),
    }  # fmt: skip


def _on_bed(camera: Camera, pixels: Array, z: float) -> tuple[Array, Array]:
    """Tray x, y of pixels (n, 2) taken at height z."""
    rays = np.column_stack([(pixels - camera.centre_px) / camera.focal_px, np.ones(len(pixels))])
    world = rays @ camera.rotation
    scale = (z - camera.position_mm[2]) / world[:, 2]
    points = camera.position_mm + world * scale[:, None]
    return points[:, 0], points[:, 1]


def mould_facts(
    plan: TrayPlan, camera: Camera, mask: Array, above: tuple[Array, Array, Array]
) -> list[dict[str, Any]]:
    """Patches with their visible areas in the photo and from straight above."""
    if not plan.mould:
        return []
    spots = [spot for spot, _ in plan.mould]
    facts = [patch_facts(plan, camera, spot) for spot in spots]
    row, column = np.nonzero(mask == 4)
    mean_z = float(np.mean([fact["z_mm"] for fact in facts]))
    owner = _nearest(spots, *_on_bed(camera, np.column_stack([column, row]), mean_z))
    ortho, x, y = above
    owner_above = _nearest(spots, x[ortho == 4], y[ortho == 4])
    for k, fact in enumerate(facts):
        own = owner == k
        fact["kind"] = plan.mould[k][1].kind
        fact["visible_px"] = int(own.sum())
        fact["ortho_visible_mm2"] = round(float((owner_above == k).sum() * ORTHO_MM**2), 1)
        if own.any():
            c, r = column[own], row[own]
            fact["visible_bbox_px"] = [int(v) for v in (c.min(), r.min(), c.max(), r.max())]
            fact["visible_centroid_px"] = rounded([c.mean(), r.mean()], 1)
    return facts


def spot_facts(spots: tuple[Spot, ...]) -> list[dict[str, Any]]:
    """Centres and sizes of bare or thick spots."""
    return [
        {
            "centroid_mm": rounded([s.x_mm, s.y_mm], 1),
            "nominal_diameter_mm": round(2 * s.radius_mm, 1),
        }
        for s in spots
    ]
