"""Mitsuba 3: the scene, the path-traced photo, the class passes and the ortho view."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import drjit as dr
import mitsuba as mi
import numpy as np

from lighting import Emitter, Light
from meshes import Array, Mesh
from viewpoints import Camera

BINS = 14  # classes 0 to 6 of the photographed tray, then those of its neighbours
EMITTERS = 4


@dataclass(frozen=True)
class Layer:
    """A mesh, its material and the class bin that it belongs to."""

    name: str
    bin: int
    material: str
    roughness: float
    specular: float
    smooth: bool
    mesh: Mesh


def _bsdf(layer: Layer) -> dict[str, Any]:
    colour = {"type": "mesh_attribute", "name": "vertex_color"}
    if layer.material == "thin":
        return {
            "type": "principledthin", "base_color": colour, "roughness": layer.roughness,
            "diff_trans": 0.9, "eta": 1.0 + 0.8 * layer.specular,
        }  # fmt: skip
    body = {
        "type": "principled", "base_color": colour, "roughness": layer.roughness,
        "specular": layer.specular,
    }  # fmt: skip
    return {"type": "twosided", "bsdf": body}


def _hidden_speck() -> Mesh:
    """Keeps the number of shapes, so that compiled kernels fit every scene."""
    corner = np.array([[0, 0, -5000], [1, 0, -5000], [0, 1, -5000]], np.float32)
    return Mesh(corner, np.array([[0, 1, 2]], np.uint32), np.full((3, 3), 0.5, np.float32))


def _shape(layer: Layer) -> Any:
    mesh = layer.mesh if len(layer.mesh.faces) else _hidden_speck()
    props = mi.Properties()
    props["mesh_bsdf"] = mi.load_dict(_bsdf(layer))
    shape = mi.Mesh(
        layer.name, len(mesh.vertices), len(mesh.faces), has_vertex_normals=layer.smooth,
        has_vertex_texcoords=False, props=props,
    )  # fmt: skip
    shape.add_attribute("vertex_color", 3, mesh.colours.ravel())
    parameters = mi.traverse(shape)
    parameters["vertex_positions"] = mi.Float(mesh.vertices.ravel())
    parameters["faces"] = mi.UInt32(mesh.faces.ravel())
    parameters.update()
    return shape


def _lamp(emitter: Emitter | None) -> dict[str, Any]:
    # An unused lamp shines far below everything and is hardly ever sampled.
    place, target, radiance = [0.0, 0.0, -9000.0], [0.0, 0.1, -9500.0], [1e-6] * 3
    half, weight = (1.0, 1.0), 1e-4
    if emitter is not None:
        place, target = emitter.position_mm.tolist(), emitter.target_mm.tolist()
        half, radiance = emitter.half_mm, emitter.radiance.tolist()
        weight = float(np.sum(emitter.irradiance))
    view = mi.ScalarTransform4f().look_at(origin=place, target=target, up=[0, 1, 0.01])
    return {
        "type": "rectangle", "to_world": view @ mi.ScalarTransform4f().scale([half[0], half[1], 1]),
        "emitter": {
            "type": "area", "radiance": {"type": "rgb", "value": radiance},
            "sampling_weight": weight,
        },
    }  # fmt: skip


def _sensor(camera: Camera) -> dict[str, Any]:
    flip = np.diag([-1.0, -1.0, 1.0]) @ camera.rotation
    pose = np.eye(4)
    pose[:3, :3] = flip.T
    pose[:3, 3] = camera.position_mm
    return {
        "type": "perspective", "fov": camera.hfov_deg, "fov_axis": "x",
        "near_clip": 5.0, "far_clip": 9000.0, "to_world": mi.ScalarTransform4f(pose),
        "film": {
            "type": "hdrfilm", "width": camera.width, "height": camera.height,
            "rfilter": {"type": "box"}, "pixel_format": "rgb", "component_format": "float32",
        },
        "sampler": {"type": "independent", "sample_count": 1},
    }  # fmt: skip


def _number(value: float) -> Any:
    """A value that compiled kernels read as data."""
    return dr.opaque(mi.Float, float(value))


class TracedScene:
    """A scene in Mitsuba with the questions that photo and truth ask of it."""

    def __init__(self, layers: Sequence[Layer], light: Light, camera: Camera) -> None:
        shapes = {layer.name: _shape(layer) for layer in layers}
        lamps = [*light.emitters, *([None] * (EMITTERS - len(light.emitters)))]
        around = (light.ambient * light.ambient_rgb / np.pi).tolist()
        self._camera = camera
        self._scene = mi.load_dict(
            {
                "type": "scene",
                "integrator": {
                    "type": "path", "max_depth": 8, "rr_depth": 5, "hide_emitters": True,
                },
                "sensor": _sensor(camera),
                "around": {
                    "type": "constant", "radiance": {"type": "rgb", "value": around},
                    "sampling_weight": 0.6 * float(np.sum(around)) * np.pi,
                },
                **{f"lamp_{k}": _lamp(lamp) for k, lamp in enumerate(lamps)},
                **shapes,
            }
        )  # fmt: skip
        self._keep_kernels(len(lamps))
        self._bins = self._bin_table(layers, shapes)

    def _keep_kernels(self, lamps: int) -> None:
        """Poses become data; as constants they would have every scene compiled anew."""
        parameters = mi.traverse(self._scene)
        for name in ["sensor", *(f"lamp_{k}" for k in range(lamps))]:
            pose = parameters[f"{name}.to_world"]
            dr.make_opaque(pose)
            parameters[f"{name}.to_world"] = pose
        parameters.update()

    @staticmethod
    def _bin_table(layers: Sequence[Layer], shapes: dict[str, Any]) -> Any:
        numbers = {
            layer.name: int(dr.reinterpret_array(mi.UInt32, mi.ShapePtr(shapes[layer.name]))[0])
            for layer in layers
        }
        table = np.zeros(max(numbers.values()) + 64, np.uint32)
        for layer in layers:
            table[numbers[layer.name]] = layer.bin
        return mi.UInt32(table)

    def photo(self, samples: int, seed: int) -> Array:
        """Linear radiance (height, width, 3); single too bright paths are cut off."""
        # Rare undefined samples would spread over the whole photo in the lens blur.
        light = np.nan_to_num(np.array(mi.render(self._scene, spp=samples, seed=seed)))
        return np.asarray(np.clip(light, 0.0, 30 * np.median(light) + 1e-6))

    def _camera_rays(self, samples: int, seed: int) -> tuple[Any, Any]:
        width, height = self._camera.width, self._camera.height
        index = dr.arange(mi.UInt32, width * height * samples)
        pixel = index // samples
        sampler = mi.PCG32(size=width * height * samples, initstate=dr.opaque(mi.UInt64, seed))
        u, v = sampler.next_float32(), sampler.next_float32()
        root = round(samples**0.5)
        part = index % samples
        x = mi.Float(pixel % width) - 0.5 + (mi.Float(part % root) + u) / root
        y = mi.Float(pixel // width) - 0.5 + (mi.Float(part // root) + v) / root
        cx, cy = self._camera.centre_px
        focal = _number(self._camera.focal_px)
        u, v = (x - _number(cx)) / focal, (y - _number(cy)) / focal
        first, second, third = (
            mi.Vector3f(*(_number(value) for value in row)) for row in self._camera.rotation
        )
        towards = dr.normalize(first * u + second * v + third)
        origin = mi.Point3f(*(_number(value) for value in self._camera.position_mm))
        return mi.Ray3f(origin, towards), pixel

    def class_shares(self, samples: int, seed: int) -> Array:
        """Share of each bin in every pixel (height, width, 14)."""
        ray, pixel = self._camera_rays(samples, seed)
        counts = self._counted(ray, pixel, self._camera.width * self._camera.height)
        shape = (self._camera.height, self._camera.width, BINS)
        return np.asarray(counts.reshape(shape).astype(np.float32) / samples)

    def _bin_of(self, ray: Any) -> tuple[Any, Any]:
        hit = self._scene.ray_intersect_preliminary(ray, coherent=True)
        number = dr.reinterpret_array(mi.UInt32, hit.shape)
        return dr.select(hit.is_valid(), dr.gather(mi.UInt32, self._bins, number), 0), hit

    def _counted(self, ray: Any, cell: Any, cells: int) -> Array:
        bins, _ = self._bin_of(ray)
        counts = dr.zeros(mi.UInt32, cells * BINS)
        dr.scatter_reduce(dr.ReduceOp.Add, counts, mi.UInt32(1), cell * BINS + bins)
        return np.array(counts)

    def seen_from_above(self, x: Array, y: Array, top: float) -> tuple[Array, Array]:
        """Class bin and z of what lies under each point (x, y, top), straight down."""
        origin = mi.Point3f(mi.Float(x.ravel()), mi.Float(y.ravel()), _number(top))
        bins, hit = self._bin_of(mi.Ray3f(origin, mi.Vector3f(0, 0, -1)))
        z = top - np.array(hit.t)
        return np.array(bins).reshape(x.shape), z.reshape(x.shape)

    def visible(self, points: Array) -> Array:
        """Whether each point (n, 3) on a surface is seen by the camera, in frame and unhidden."""
        camera = self._camera
        pixels = camera.project(points)
        depth = (points @ camera.rotation.T + camera.translation)[:, 2]
        framed = (pixels >= -0.5).all(1) & (depth > 0)
        framed &= (pixels < np.array([camera.width, camera.height]) - 0.5).all(1)
        offset = points - camera.position_mm
        distance = np.linalg.norm(offset, axis=1)
        towards = offset / distance[:, None]
        ray = mi.Ray3f(
            mi.Point3f(*(_number(value) for value in camera.position_mm)),
            mi.Vector3f(*(mi.Float(towards[:, k].astype(np.float32)) for k in range(3))),
        )
        ray.maxt = mi.Float((distance - 0.6).astype(np.float32))
        return np.asarray(framed & ~np.array(self._scene.ray_test(ray)))
