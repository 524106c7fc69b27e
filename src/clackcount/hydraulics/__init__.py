"""Ram hydraulics: catch, drive column, water hammer, efficiency, each with its uncertainty. Pure: no files, no clock.

The formulas (efficiency, column, hammer, pipes) take plain numbers, arrays and uncertain numbers in SI units. On top
of them: Site (the site file), Catch, measure, predict and expected_against_heard.
"""

from clackcount.hydraulics.catch import Catch, Comparison, compare_catches, pool_catches, strokes_within
from clackcount.hydraulics.expect import expected_against_heard
from clackcount.hydraulics.measure import measure
from clackcount.hydraulics.measurement import Heard, Measurement
from clackcount.hydraulics.numbers import SiteNumbers, numbers_of
from clackcount.hydraulics.predict import Expected, Prediction, predict
from clackcount.hydraulics.site import Site
from clackcount.hydraulics.site_text import template, with_calibration, with_measurement
from clackcount.hydraulics.view import as_lines, measured_rows, site_lines

__all__ = [
    "Catch",
    "Comparison",
    "Expected",
    "Heard",
    "Measurement",
    "Prediction",
    "Site",
    "SiteNumbers",
    "as_lines",
    "compare_catches",
    "expected_against_heard",
    "measure",
    "measured_rows",
    "numbers_of",
    "pool_catches",
    "predict",
    "site_lines",
    "strokes_within",
    "template",
    "with_calibration",
    "with_measurement",
]
