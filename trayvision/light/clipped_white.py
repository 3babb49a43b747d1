"""How bright a clipped white really was, told from the blurred edges of the tags beside it.

Where the photo's range cuts the paper off, the foot of the step from black to white is still
within it. Blur shares the light of both sides out in linear light, so that foot, at a known
distance from an edge of known place, tells the height and the colour of the whole step.
"""

from typing import Final

import numpy as np
import numpy.typing as npt

from trayvision.light.edge_profile import EdgeProfiles, StepFits, edge_profiles, fit_steps
from trayvision.light.kit_white import HEAD_LEVEL_SIGMA, WhiteCells
from trayvision.photo.photo import Photo
from trayvision.pose.tray_pose import TrayPose
from trayvision.reference_kit import HEAD_CORNERS, TAGS_PER_TRAY

FloatArray = npt.NDArray[np.float64]

_LARGEST_MISFIT: Final = 0.06
_LARGEST_SIGMA_RATIO: Final = 1.5
_BRIGHTEST: Final = 8.0
_FEWEST_EDGES: Final = 2
# Log error of a white at the range's end. Most of it all edges of a photo share: lens flare,
# sharpening, the pixels' square aperture.
LEVEL_SIGMA: Final = 0.15
CHROMA_SIGMA: Final = 0.02


def whites_beyond_range(photo: Photo, pose: TrayPose) -> WhiteCells:
    """The white around each tag that was read, where the photo clipped it.

    Parameters
    ----------
    photo : Photo
    pose : TrayPose
        Gives the true place of the edges; the tags' own read corners are drawn inwards where
        clipped white spreads over black.

    Returns
    -------
    WhiteCells
        One row a tag, `linear_rgb` above 1 where clipped; no row for a tag whose edges tell
        nothing. `level_sigma` and `chroma_sigma` weigh the tags against each other; what they
        share is `LEVEL_SIGMA` and `CHROMA_SIGMA`, times the white where that is above 1.
    """
    corners = [tag.id % TAGS_PER_TRAY for tag in pose.tags]
    places = np.array([pose.size.tag_corners_mm(corner) for corner in corners])
    ids = [tag.id for tag in pose.tags]
    profiles = edge_profiles(photo, pose.project(places.reshape(-1, 4, 3)), ids)
    green = fit_steps(profiles, shift_known=True)
    red, blue = (
        fit_steps(profiles, channel=channel, shift_known=True, sigma_px=green.sigma_px)
        for channel in (0, 2)
    )
    fits = [red, green, blue]
    usable = _usable(fits)
    rows = []
    for index, corner in enumerate(corners):
        edges = (profiles.tag == index) & usable
        if edges.sum() >= _FEWEST_EDGES and _clipped(profiles, edges):
            white = np.log(np.stack([fit.white[edges] for fit in fits], axis=1))
            rows.append((places[index].mean(axis=0)[:2], corner in HEAD_CORNERS, white))
    return WhiteCells(
        xy_mm=np.array([row[0] for row in rows]).reshape(-1, 2),
        linear_rgb=np.array([np.exp(_chained(row[2])) for row in rows]).reshape(-1, 3),
        beside_tag=np.ones(len(rows), dtype=bool),
        clipped=np.zeros((len(rows), 3), dtype=bool),
        level_sigma=np.array([_level_sigma(white, on_head) for _, on_head, white in rows]),
        chroma_sigma=np.full(len(rows), CHROMA_SIGMA),
        seen_px=0,
    )


def _usable(fits: list[StepFits]) -> npt.NDArray[np.bool_]:
    good = np.ones(fits[0].white.shape, dtype=bool)
    for fit in fits:
        good &= (fit.misfit < _LARGEST_MISFIT) & (fit.white > 0.5) & (fit.white < _BRIGHTEST)
    if not good.any():
        return good
    sigma = fits[1].sigma_px
    ratio = np.log(sigma / np.median(sigma[good]))
    good &= abs(ratio) < np.log(_LARGEST_SIGMA_RATIO)
    return good


def _clipped(profiles: EdgeProfiles, edges: npt.NDArray[np.bool_]) -> bool:
    outside = np.asarray(profiles.distance_px[edges] > 1.0)
    cut = np.asarray(profiles.clipped[edges].any(axis=2))
    return bool(cut[outside].mean() > 0.25) if outside.any() else False


def _chained(log_white: FloatArray) -> FloatArray:
    """(3,) log white: the mean level of the edges, and the median of their channel ratios."""
    green = log_white[:, 1]
    return float(green.mean()) + np.median(log_white - green[:, None], axis=0)


def _level_sigma(log_white: FloatArray, on_head: bool) -> float:
    scatter = float(log_white[:, 1].std(ddof=1)) / len(log_white) ** 0.5
    return float(np.hypot(scatter, HEAD_LEVEL_SIGMA if on_head else LEVEL_SIGMA))
