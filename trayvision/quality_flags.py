"""Named doubts, one sentence each, and the error for a photo that cannot be measured."""

from enum import StrEnum


class Doubt(StrEnum):
    """A named reason to trust a value less, or not to give it; `sentence` says it to a person."""

    sentence: str

    def __new__(cls, name: str, sentence: str) -> "Doubt":
        """A member that is its name and carries its sentence."""
        member = str.__new__(cls, name)
        member._value_ = name
        member.sentence = sentence
        return member

    @classmethod
    def named(cls, name: str | None) -> "Doubt | None":
        """The doubt with a name, None where there is none."""
        return next((doubt for doubt in cls if doubt == name), None)

    NO_TAGS = "no_tags", "No tag of the reference kit could be read in this photo."
    ONE_TAG_ONLY = (
        "one_tag_only",
        "Only one tag of this tray could be read; two are needed to place it.",
    )
    TAGS_CONTRADICT = (
        "tags_contradict",
        "The tags that were read do not fit one tray; its pose is not stated.",
    )
    SAME_NUMBER_TWICE = (
        "same_number_twice",
        "Two trays in this photo carry the same number; neither is measured.",
    )
    KITS_MIXED = (
        "kits_mixed",
        "Parts of two trays' kits lie on one tray; put each tray's own bars and strip back.",
    )
    EARLIER_POSE = (
        "earlier_pose",
        "Few tags were read, so the tray's place is kept from earlier photos of this camera.",
    )
    POSE_AMBIGUOUS = (
        "pose_ambiguous",
        "The tags that were read allow two poses of the tray almost equally well.",
    )
    MIRRORED = "mirrored", "The photo is mirrored; take it without the selfie mirror."
    FAR_END_LESS_EXACT = (
        "far_end_less_exact",
        "Tags at only one end were read, so the far end is placed less exactly.",
    )
    NUMBER_FROM_STRIP = (
        "number_from_strip",
        "Only the height strip names this tray; see that it is the tray's own strip.",
    )
    SIZE_DOUBTFUL = (
        "size_doubtful",
        "The tray is not of the size that was given, or a bar lies out of place or on the bed.",
    )
    FOCAL_LENGTH_ESTIMATED = (
        "focal_length_estimated",
        "The focal length is not known and was estimated from the tags.",
    )
    FOCAL_LENGTH_FROM_EXIF = (
        "focal_length_from_exif",
        "The focal length was taken from the photo's own record.",
    )
    CAPTURE_TIME_UNKNOWN = (
        "capture_time_unknown",
        "The photo does not say when it was taken.",
    )
    CAPTURE_OFFSET_UNKNOWN = (
        "capture_offset_unknown",
        "The photo gives a clock time without a time zone, so the moment is not known.",
    )
    GREYSCALE = (
        "greyscale",
        "The photo has no colour, or one tint only; colour, cover and mould cannot be told.",
    )
    COLOURED_LIGHT = (
        "coloured_light",
        "The light is coloured (pink or purple grow light); take the photo under white light.",
    )
    MIXED_LIGHT = "mixed_light", "Lights of different colour fall on the tray."
    UNEVEN_LIGHT = "uneven_light", "The light is very uneven over the tray."
    CLIPPED = "clipped", "Bright parts are clipped to white."
    DIM = "dim", "The photo is very dark."
    NO_WHITE = "no_white", "No white of the kit was seen, so the colours are not corrected."
    BLURRED = "blurred", "The photo is blurred; hold still, wipe the lens, take it again."
    FOGGED = "fogged", "The lens seems fogged; wipe it, wait two minutes, take it again."
    TOO_COARSE = "too_coarse", "The photo shows too few pixels a millimetre."
    NO_DETAIL = (
        "no_detail",
        "Part of the tray is too smooth for seed or blades; clear the tray, wipe the lens.",
    )
    TRAY_COVERED = (
        "tray_covered",
        "Something seems to lie over part of the tray; what is there cannot be told.",
    )
    TOO_LITTLE_SEEN = "too_little_seen", "Too little of the tray could be judged."
    OUT_OF_FRAME = "out_of_frame", "Part of the tray lies outside the photo."
    STEEP_VIEW = "steep_view", "The view is very oblique; hold the camera higher over the tray."
    STRIP_NOT_SEEN = "strip_not_seen", "The height strip's face is not seen in this photo."
    STRIP_UNCLEAR = "strip_unclear", "The canopy's edge on the height strip is not clear."
    HEIGHT_ONE_END = (
        "height_one_end",
        "The height is that of the strip's end, not of the whole tray.",
    )
    BED_HEIGHT_ASSUMED = (
        "bed_height_assumed",
        "The height of the seed bed is not known for this tray and was assumed.",
    )
    DAY_UNKNOWN = "day_unknown", "The day of growth is not known."
    DAY_DOUBTFUL = (
        "day_doubtful",
        "The day that was given cannot be this tray's; check when it was spread.",
    )
    NO_SHOOTS = "no_shoots", "There are hardly any shoots to judge yet."
    BED_HIDDEN = "bed_hidden", "The seed bed is hidden by the shoots."
    THICKNESS_NOT_SEEN = (
        "thickness_not_seen",
        "Thick spots in fresh seed do not show in one photo from above; run a hand over it.",
    )
    NO_KIT = "no_kit", "Taken without the kit: no millimetres and no height."
    CORNERS_BY_HAND = (
        "corners_by_hand",
        "The tray's corners were marked by hand: no millimetres beyond the size that was typed.",
    )
    TOO_LITTLE_KNOWN = (
        "too_little_known",
        "Too few of the measures that make the score could be taken.",
    )


class PhotoProblem(Exception):
    """A photo that cannot be measured, with the doubts that say why.

    Parameters
    ----------
    message : str
        One sentence that names the photo, the rule and what came.
    doubts : tuple of Doubt
        The named reasons, possibly none for a file that is no photo at all.
    """

    def __init__(self, message: str, doubts: tuple[Doubt, ...] = ()) -> None:
        super().__init__(message)
        self.doubts = doubts
