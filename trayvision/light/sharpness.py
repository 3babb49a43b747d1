"""How sharp a photo is at the tray, and the smallest patch it could therefore have shown."""

from dataclasses import dataclass
from math import hypot, pi, sqrt
from typing import Final

import numpy as np
import numpy.typing as npt

from trayvision.colorimetry import LINEAR_OF_LEVEL
from trayvision.light.edge_profile import EdgeProfiles, StepFits, edge_profiles, fit_steps
from trayvision.measurement import Measurement
from trayvision.photo.photo import Photo
from trayvision.pose.tray_pose import TrayPose
from trayvision.quality_flags import Doubt
from trayvision.reference_kit import HEAD_CORNERS, TAG_EDGE_MM, TAGS_PER_TRAY, TraySize

FloatArray = npt.NDArray[np.float64]

# The 10 to 90 % rise of a step blurred by a Gaussian, in its standard deviations.
RISE_PER_SIGMA: Final = 2.5631
_LARGEST_MISFIT: Final = 0.06
_LARGEST_SHIFT_PX: Final = 3.0
_FEWEST_EDGES: Final = 2
# Edges of one photo differ by JPEG, gloss and focus; clipped ones lean on the pose as well.
_RELATIVE_UNCERTAINTY: Final = 0.05
_CLIPPED_UNCERTAINTY: Final = 0.20
# A pixel's aperture is a square, no Gaussian: it shows in the sharpest photos.
_PIXEL_UNCERTAINTY_PX: Final = 0.05

# A patch is seen as one when it is this many analysed pixels and this many edge widths across,
# and when its contrast (a share of white) stands out of the noise by Rose's factor of 5.
_PATCH_PX: Final = 16.0
_FINEST_ANALYSED_MM_PER_PX: Final = 0.5
_PATCH_RISES: Final = 3.0
_PATCH_CONTRAST: Final = 0.15
_ROSE_FACTOR: Final = 5.0
_PATCH_UNCERTAINTY: Final = 0.20

_BLURRED_RISE_PX: Final = 6.0
_BLURRED_RISE_MM: Final = 3.0
_SOFT_RISE_PX: Final = 3.5
_COARSEST_MM_PER_PX: Final = 1.5
_INK_SHARE: Final = 0.05
_FOG_SHARE: Final = 0.10


@dataclass(frozen=True)
class Sharpness:
    """Sharpness of a photo at one tray.

    Parameters
    ----------
    edge_spread_px : Measurement
        10 to 90 % rise of the tags' edges in full-size px, in the blurrier of the tags' two
        directions; the pixel's own aperture is included.
    edge_spread_mm : Measurement
        The same in mm, at the tags.
    mm_per_px : float
        Median over the tray floor of what a full-size px covers.
    smallest_patch_mm : Measurement
        Diameter of the smallest patch that the photo could have shown in the coarser parts of
        the tray floor.
    noise : float
        Standard deviation of single pixels on the tags' plain parts as a share of the step from
        their black to their white; NaN when not measured.
    haze : float
        Light that lies over the tags' black beyond what ink reflects, as a share of white; NaN
        when not measured.
    doubts : tuple of Doubt
        Any of `BLURRED`, `FOGGED`, `TOO_COARSE`.
    """

    edge_spread_px: Measurement
    edge_spread_mm: Measurement
    mm_per_px: float
    smallest_patch_mm: Measurement
    noise: float
    haze: float
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True, eq=False)
class _Edges:
    """Edges of tags with a usable fit; `sigma_px` in working px."""

    profiles: EdgeProfiles
    fits: StepFits
    usable: npt.NDArray[np.bool_]
    cut: npt.NDArray[np.bool_]


def measure_sharpness(photo: Photo, pose: TrayPose) -> Sharpness:
    """Measure the blur of the tags' own edges, and what it and the scale let a photo show.

    Steps blurred by a Gaussian are fitted to the edges in linear light (slanted-edge method,
    after ISO 12233). Where the white is clipped, the edge's place is taken from the pose.

    Parameters
    ----------
    photo : Photo
    pose : TrayPose

    Returns
    -------
    Sharpness
        Unknown spread and patch, with the reason, when no edge could be fitted.
    """
    scale = _mm_per_px(pose)
    coarse = (Doubt.TOO_COARSE,) if float(np.median(scale)) > _COARSEST_MM_PER_PX else ()
    edges = _fit_edges(photo, pose) if pose.tags else None
    if edges is None or int(edges.usable.sum()) < _FEWEST_EDGES:
        reason = Doubt.NO_TAGS if edges is None else _why_no_edge(edges)
        none = [Measurement.unknown(unit, reason) for unit in ("px", "mm", "mm")]
        return Sharpness(none[0], none[1], float(np.median(scale)), none[2], np.nan, np.nan, coarse)
    sigma, relative = _blurrier_direction(edges)
    rise_px = RISE_PER_SIGMA * sigma / photo.scale
    tag_scale = [TAG_EDGE_MM / _edge_px(tag.corners_px) for tag in pose.tags]
    rise_mm = rise_px * float(np.median(tag_scale))
    noise, haze = _noise(edges), _haze(photo, pose, edges)
    patch = _smallest_patch_mm(float(np.percentile(scale, 90)) / photo.scale, rise_mm, noise)
    return Sharpness(
        Measurement(rise_px, relative * rise_px, "px"),
        Measurement(rise_mm, relative * rise_mm, "mm"),
        float(np.median(scale)),
        Measurement(patch, hypot(_PATCH_UNCERTAINTY, 0.3 * relative) * patch, "mm"),
        noise,
        haze,
        _doubts(rise_px * photo.scale, rise_mm, haze) + coarse,
    )


def _fit_edges(photo: Photo, pose: TrayPose) -> _Edges:
    places = np.array([pose.size.tag_corners_mm(tag.id % TAGS_PER_TRAY) for tag in pose.tags])
    profiles = edge_profiles(photo, pose.project(places), [tag.id for tag in pose.tags])
    fits = fit_steps(profiles)
    cut: npt.NDArray[np.bool_] = np.asarray(profiles.clipped[..., 1].any(axis=1))
    if cut.any():
        known = fit_steps(profiles, shift_known=True)
        fits = StepFits(
            *(
                np.where(cut, getattr(known, name), getattr(fits, name))
                for name in ("sigma_px", "shift_px", "black", "white", "misfit")
            )
        )
    usable = np.asarray(fits.misfit < _LARGEST_MISFIT)
    usable &= abs(fits.shift_px) < _LARGEST_SHIFT_PX
    if (usable & ~cut).sum() >= 2 * _FEWEST_EDGES:
        usable &= ~cut
    return _Edges(profiles, fits, usable, cut)


def _why_no_edge(edges: _Edges) -> Doubt:
    return Doubt.CLIPPED if edges.cut.any() else Doubt.NO_WHITE


def _blurrier_direction(edges: _Edges) -> tuple[float, float]:
    """Standard deviation of the blur in working px, and its relative uncertainty.

    Edges 0 and 2 of every tag lie across its up direction, 1 and 3 along it: hand shake blurs
    one of the two pairs more.
    """
    across = np.arange(edges.usable.size) % 2 == 0
    pairs = [edges.usable & across, edges.usable & ~across]
    if min(int(pair.sum()) for pair in pairs) < _FEWEST_EDGES:
        pairs = [edges.usable]
    sigma = max((edges.fits.sigma_px[pair] for pair in pairs), key=lambda s: float(np.median(s)))
    middle = float(np.median(sigma))
    scatter = 1.4826 * float(np.median(abs(sigma - middle))) / middle / sqrt(sigma.size)
    shared = _CLIPPED_UNCERTAINTY if edges.cut[edges.usable].any() else _RELATIVE_UNCERTAINTY
    return middle, hypot(scatter, shared, _PIXEL_UNCERTAINTY_PX / middle)


def _noise(edges: _Edges) -> float:
    fits, profiles = edges.fits, edges.profiles
    flat = abs(profiles.distance_px - fits.shift_px[:, None]) > 2.5 * fits.sigma_px[:, None]
    flat &= (profiles.count >= 4) & ~profiles.clipped[..., 1] & edges.usable[:, None]
    contrast = np.broadcast_to((fits.white - fits.black)[:, None], flat.shape)
    if not flat.any():
        return float("nan")
    return float(np.median(profiles.noise[flat] / contrast[flat]))


def _haze(photo: Photo, pose: TrayPose, edges: _Edges) -> float:
    """Veil over the clearest tag, as a share of white, no more than over the darkest pixels.

    Blur does not count: the fit's black is what lies far from the edge. Gloss and a lamp's
    glare lighten single tags, haze on the lens lightens all of them and everything else.
    """
    share = edges.fits.black / edges.fits.white
    corner = np.repeat([tag.id % TAGS_PER_TRAY for tag in pose.tags], 4)
    rim = edges.usable & ~np.isin(corner, HEAD_CORNERS)
    group = rim if rim.any() else edges.usable
    by_tag = [
        float(np.median(share[group & (edges.profiles.tag == tag)]))
        for tag in np.unique(edges.profiles.tag[group])
    ]
    white = float(np.median(edges.fits.white[group]))
    darkest = float(np.percentile(LINEAR_OF_LEVEL[photo.pixels[::16, ::16, 1]], 0.5))
    return max(0.0, min(min(by_tag) - _INK_SHARE, darkest / white))


def _smallest_patch_mm(mm_per_working_px: float, rise_mm: float, noise: float) -> float:
    pitch = max(mm_per_working_px, _FINEST_ANALYSED_MM_PER_PX)
    by_pixels = _PATCH_PX * pitch
    by_blur = _PATCH_RISES * rise_mm
    noise_px = 0.0 if np.isnan(noise) else 2 / sqrt(pi) * _ROSE_FACTOR * noise / _PATCH_CONTRAST
    return hypot(by_pixels, by_blur, noise_px * pitch)


def _mm_per_px(pose: TrayPose) -> FloatArray:
    """(25,) mm that a full-size px covers (root of area) at points over the tray floor."""
    size: TraySize = pose.size
    x = np.linspace(-0.45, 0.45, 5) * size.length_mm
    y = np.linspace(-0.45, 0.45, 5) * size.width_mm
    xy = np.stack(np.meshgrid(x, y), axis=-1).reshape(-1, 2)
    at = np.column_stack([xy, np.full(len(xy), -size.depth_mm)])
    right = pose.project(at + [1.0, 0, 0]) - pose.project(at - [1.0, 0, 0])
    up = pose.project(at + [0, 1.0, 0]) - pose.project(at - [0, 1.0, 0])
    area = abs(right[:, 0] * up[:, 1] - right[:, 1] * up[:, 0]) / 4
    return np.asarray(1 / np.sqrt(area))


def _edge_px(corners_px: FloatArray) -> float:
    return float(np.linalg.norm(np.roll(corners_px, -1, axis=0) - corners_px, axis=1).mean())


def _doubts(rise_working_px: float, rise_mm: float, haze: float) -> tuple[Doubt, ...]:
    blurred = rise_working_px > _BLURRED_RISE_PX or (
        rise_working_px > _SOFT_RISE_PX and rise_mm > _BLURRED_RISE_MM
    )
    # Wide blur carries white over the whole printed border, as haze would.
    found = {Doubt.BLURRED: blurred, Doubt.FOGGED: haze > _FOG_SHARE and not blurred}
    return tuple(doubt for doubt, holds in found.items() if holds)
