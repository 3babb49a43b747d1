"""What the kit's guide tells the grower: mounting, places for a camera, cautions."""

MOUNTING = (
    (
        "Print",
        (
            "On white paper at 100 % (actual size, no fit to page), one side. Measure the bar "
            "at the foot: 100 mm, or print again."
        ),
    ),
    (
        "Laminate matt",
        (
            "Matt film only: a shiny one mirrors the lamps, and the tags cannot be read. Leave "
            "3 mm of film around each piece where water runs."
        ),
    ),
    (
        "Bar A",
        (
            "Flat across the rim at the aisle end, just outside the opening, both ends level "
            "with the opening's corners. The edge marked with triangles touches the opening."
        ),
    ),
    ("Bar B", "The same across the far end."),
    (
        "Strip and head",
        (
            "Glue both on one stiff strip of plastic or aluminium, the head bent back by 45°. "
            "Stand it inside bar B's end wall, in the middle, foot on the tray floor, bands to "
            "the tray."
        ),
    ),
    (
        "Number",
        (
            "A tray keeps its number for good, whatever grows in it and wherever it stands. No "
            "number twice in one room."
        ),
    ),
)
BY_HAND = (
    "From the aisle end, lens 50 to 60 cm above the rim and nearer bar A than bar B, so that it "
    "looks at the strip's printed face (at least 15° off the strip's own line). Both bars and the "
    "head in the picture, the tray filling it. Hold still, wipe the lens, no selfie mirror."
)
PHOTO_ADVICE = (
    (
        "On a photo spot",
        (
            "The best fixed place: one camera 60 cm or more above a free spot, each tray drawn "
            "out or set down under it. It sees every tray until harvest."
        ),
    ),
    (
        "Over the shelf",
        (
            "Straight above, a growing canopy soon fills the picture (below). Look in from the "
            "aisle at a slant, or use it for the first days only."
        ),
    ),
    (
        "Light",
        (
            "White light, the same each time; pink or purple grow lights off for the photo. No "
            "lamp mirrored in a tag."
        ),
    ),
    (
        "Water",
        (
            "Once five minutes before a watering, once a quarter of an hour after: root hairs "
            "shrink when wet, mould stays. A fogged lens needs two minutes."
        ),
    ),
    (
        "How often",
        (
            "By hand once or twice a day, morning and evening. A fixed camera four to six times a "
            "day, tied to the waterings."
        ),
    ),
    (
        "Sharp enough",
        (
            "A tag should be at least 18 pixels wide, a patch of mould 16. Two pixels a "
            "millimetre, some 1250 along a 54 cm tray with its bars, show a patch of 8 mm."
        ),
    ),
)
CARRIED = (
    "One strip for the whole room. Glue it on a stiff strip with a clip, the head bent back by "
    "45°, and stand it inside bar B's end wall for the photo, in the middle, its foot on the tray "
    "floor. The height is counted for the tray it stands in. Rinse it between trays: it could "
    "carry mould from one to the next."
)
CAUTIONS = (
    (
        "Keep every piece off the water path: drain holes, gutter and spray must stay free, "
        "and no piece may hold water back on the tray."
    ),
    (
        "Clip, do not glue, to the tray; nothing that can come loose into the feed. Wash the "
        "pieces with the tray and count them before feeding out."
    ),
    (
        "Inside the room only low voltage; the supply outside the spray zone, behind a "
        "residual-current device, the cable with a drip loop."
    ),
    (
        "A photo cannot smell, nor see under the mat, nor tell toxic from harmless. It says "
        "where to look; it never says that feed is safe."
    ),
)
