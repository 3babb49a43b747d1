"""From a plan to the layers of a scene."""

from __future__ import annotations

import cv2
import numpy as np

import tray_scene
from kit_geometry import kit_mesh, tag_frames
from meshes import EMPTY, Array, Mesh, join, moved
from mould_growth import mould_patch
from path_tracing import Layer
from plants import shoot_mesh
from scene_plan import PhotoPlan, TrayPlan, kit_tones, standing
from seed_bed import Bed, husks, kernels, root_hairs, roots, wet_film

NEIGHBOUR_BIN = 7


def plan_bed(plan: TrayPlan) -> Bed:
    """The bed surface of a plan."""
    return Bed(plan.rng(1), plan.size, fill_mm=plan.fill_mm, bare=plan.bare, thick=plan.thick)


def _root_growth(day: float) -> float:
    return float(np.interp(day, [0.0, 0.6, 1.0, 2.0, 3.0, 4.0], [0, 0, 0.12, 0.6, 0.9, 1.0]))


def _films(plan: TrayPlan, bed: Bed) -> tuple[Mesh, Mesh]:
    rng = plan.rng(9)
    slime_tone = np.asarray(plan.slime_colour) * rng.uniform(0.5, 1.6)
    rise = plan.slime_rise_mm
    slime = [wet_film(rng, bed, spot, slime_tone, rng.uniform(*rise)) for spot in plan.slime]
    dark = np.asarray(plan.look.colour) * 0.3
    water = [wet_film(rng, bed, spot, dark, rng.uniform(-1.2, 0.0)) for spot in plan.water]
    return join(slime), join(water)


def _top_drops(plan: TrayPlan, source: Mesh, part: int, share: float) -> Mesh:
    """Drops on random vertices of a mesh, in its colours."""
    rng = plan.rng(part)
    count = int(plan.drops_per_cm2 * share * plan.size.length_mm * plan.size.width_mm / 100)
    if count == 0 or len(source.vertices) < 10:
        return EMPTY
    chosen = rng.integers(0, len(source.vertices), count)
    points = source.vertices[chosen] + np.array([0, 0, 0.25])
    radii = rng.lognormal(np.log(0.6), 0.35, count)
    return tray_scene.drops(rng, points.astype(float), radii, source.colours[chosen].astype(float))


def tray_meshes(plan: TrayPlan) -> tuple[dict[str, Mesh], int]:
    """All meshes of a tray by name, and its number of shoots."""
    bed = plan_bed(plan)
    root_mesh, paths = roots(
        plan.rng(3), bed, plan.look, cover=plan.root_cover, growth=_root_growth(plan.day)
    )
    sick = [spot for spot, _ in plan.mould] + list(plan.slime)
    shoots, count = shoot_mesh(plan.rng(5), bed, plan.stand, day=plan.day, sick=sick)
    slime, water = _films(plan, bed)
    rng = plan.rng(6)
    patches = [mould_patch(rng, bed, spot, look) for spot, look in plan.mould]
    bed_mesh = kernels(plan.rng(2), bed, plan.look, swelling=1 + 0.04 * min(plan.day, 3))
    return {
        "tray": tray_scene.tray_mesh(
            plan.rng(8), plan.size, plan.plastic_colour, rim_mm=plan.rim_mm, taper_mm=2.5
        ),
        "bed": bed_mesh,
        "roots": root_mesh,
        "hairs": root_hairs(plan.rng(4), paths, plan.look, amount=plan.hairs)
        if plan.hairs and len(paths) else EMPTY,
        "husks": husks(plan.rng(7), bed, share=plan.husk_share),
        "shoots": shoots,
        "mould": join(patches),
        "kit": kit_mesh(
            plan.size, plan.number, parts=plan.kit, head_number=plan.head_number,
            tones=kit_tones(plan),
        ),
        "slime": slime,
        "water": join([water, _top_drops(plan, bed_mesh, 11, 0.6)]),
        "shoot_drops": _top_drops(plan, shoots, 12, 1.0),
    }, count  # fmt: skip


MATERIALS = {
    # name: class, kind, roughness, specular, smooth
    "tray": (1, "opaque", 0.38, 0.5, False),
    "bed": (2, "opaque", 0.55, 0.3, True),
    "roots": (2, "thin", 0.5, 0.4, True),
    "hairs": (2, "thin", 0.7, 0.1, False),
    "husks": (2, "thin", 0.6, 0.3, False),
    "shoots": (3, "thin", 0.42, 0.5, True),
    "mould": (4, "thin", 0.9, 0.05, False),
    "kit": (5, "opaque", 0.3, 0.4, False),
    "slime": (6, "opaque", 0.12, 0.7, True),
    "water": (2, "opaque", 0.06, 0.6, True),
    "shoot_drops": (3, "opaque", 0.06, 0.6, True),
}


def _tray_layers(plan: TrayPlan, meshes: dict[str, Mesh], *, neighbour: bool) -> list[Layer]:
    rng = plan.rng(20)
    layers = []
    for name, (kind, material, typical, specular, smooth) in MATERIALS.items():
        roughness = 0.65 - 0.4 * plan.look.wetness if name == "bed" else typical
        if name in {"tray", "kit", "shoots"}:
            roughness = float(np.clip(typical * rng.lognormal(0, 0.3), 0.12, 0.8))
        bin_number = kind + (NEIGHBOUR_BIN if neighbour else 0)
        label = f"other_{name}" if neighbour else name
        layers.append(Layer(label, bin_number, material, roughness, specular, smooth, meshes[name]))
    return layers


def _tag_cover(plan: PhotoPlan, corner: int) -> tuple[Array, Array]:
    centre = tag_frames(plan.tray.size)[corner][0]
    outward = np.array([np.sign(centre[0]), 0.6 * np.sign(centre[1]), 0.0])
    return centre, outward


def _things(plan: PhotoPlan) -> tuple[Mesh, Mesh]:
    """Loose things (background class) and the drops on the kit."""
    rng = np.random.default_rng([plan.seed, 31])
    tray = plan.tray
    parts, wet = [], []
    for thing in plan.occluders:
        if thing.kind == "hose":
            parts.append(tray_scene.hose(rng, tray.size, hose_height(plan)))
        elif thing.kind == "label":
            parts.append(tray_scene.paper_label(rng, tray.size, tray.rim_mm))
        elif thing.kind == "phone":
            place = np.array([rng.uniform(-150, 150), -tray.size.width_mm / 2 - 90])
            parts.append(
                tray_scene.phone_with_tag(
                    _pattern(int(rng.integers(580))), place, -tray.size.depth_mm - 2
                )
            )
        elif thing.corner is not None:
            centre, outward = _tag_cover(plan, thing.corner)
            if thing.kind == "finger":
                parts.append(
                    tray_scene.finger(rng, centre + rng.normal(0, 9, 3) * [1, 1, 0], outward)
                )
            elif thing.kind == "scrap":
                parts.append(
                    tray_scene.scraps(rng, (centre + rng.normal(0, 8, 3) * [1, 1, 0])[None])
                )
            else:
                number = 6 * tray.number + thing.corner
                wet.append(tray_scene.wet_patch(rng, centre, kit_tones(tray), _pattern(number)))
    if tray.scraps:
        bed = plan_bed(tray)
        x, y = rng.uniform(*bed.x_range, tray.scraps), rng.uniform(*bed.y_range, tray.scraps)
        parts.append(tray_scene.scraps(rng, np.column_stack([x, y, bed.top(x, y) + 1.5])))
    return join(parts), join(wet)


def hose_height(plan: PhotoPlan) -> float:
    """Height of a hose above the rim: clear of the canopy."""
    return 60.0 if plan.tray.day < 5 else 190.0


def _pattern(tag_id: int) -> Array:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    return np.pad(cv2.aruco.generateImageMarker(dictionary, tag_id, 8) < 128, 1)


def scene_layers(plan: PhotoPlan) -> tuple[list[Layer], int]:
    """All layers of a photo, always the same names in the same order, and the shoot count."""
    meshes, count = tray_meshes(plan.tray)
    layers = _tray_layers(plan.tray, meshes, neighbour=False)
    others: dict[str, list[Mesh]] = {name: [] for name in MATERIALS}
    for neighbour in plan.neighbours:
        found, _ = tray_meshes(neighbour.plan)
        shift = standing(plan.tray, neighbour)
        for name, part in found.items():
            others[name].append(moved(part, shift=shift))
    joined = {name: join(parts) for name, parts in others.items()}
    layers += _tray_layers(plan.tray, joined, neighbour=True)
    rng = np.random.default_rng([plan.seed, 32])
    things, wet = _things(plan)
    shelf = tray_scene.shelf_mesh(rng, plan.shelf, -plan.tray.size.depth_mm - 2.0)
    shelf_roughness = {"metal": 0.45, "dark": 0.3, "wood": 0.6}.get(plan.shelf, 0.5)
    layers += [
        Layer(
            "shelf", 0, "opaque", float(shelf_roughness * rng.uniform(0.6, 1.4)), 0.5, False, shelf
        ),
        Layer("things", 0, "opaque", 0.4, 0.4, True, things),
        Layer("kit_drops", 5, "opaque", 0.05, 0.6, True, wet),
    ]
    return layers, count
