"""Beyond which air is more likely misread or written in another unit than true; judgement."""

from typing import Final

# What is meant in °F, from 59 up, is hotter than any seed sprouts in when it is taken for °C; what
# is meant in °C, up to 30, lies below freezing when it is taken for °F.
HOTTEST_C: Final = 45.0
COLDEST_C: Final = 0.0
# Of 60 % written as 0.6 or 6.
DRIEST_PERCENT: Final = 10.0
