"""The nouns that cross from one room to the next: frozen, with units in their names.

Times are in seconds from the first sample of the recording. "Not measured" is None (NaN inside float arrays), never
0. Import them from here; the parts are for reading.
"""

from clackcount.model.arrays import Cells, FloatArray, locked
from clackcount.model.beats import Beat, Beats, Pattern, Regularity, SlamTrain, check_times
from clackcount.model.findings import Basis, Finding, Meaning, Severity
from clackcount.model.listening import Listening
from clackcount.model.live import Due, News, Verdict
from clackcount.model.sound import Clip, Excerpt, FlowTrack, Impacts, Passage, RecordingInfo, Wanted
from clackcount.model.story import Cause, Event, Happening, Running, Startup, State, Stop, Stretch, TrendRow
from clackcount.model.trials import Choice, Course, Measured, Ratio, Response

__all__ = [
    "Basis",
    "Beat",
    "Beats",
    "Cause",
    "Cells",
    "Choice",
    "Clip",
    "Course",
    "Due",
    "Event",
    "Excerpt",
    "Finding",
    "FloatArray",
    "FlowTrack",
    "Happening",
    "Impacts",
    "Listening",
    "Meaning",
    "Measured",
    "News",
    "Passage",
    "Pattern",
    "Ratio",
    "RecordingInfo",
    "Regularity",
    "Response",
    "Running",
    "Severity",
    "SlamTrain",
    "Startup",
    "State",
    "Stop",
    "Stretch",
    "TrendRow",
    "Verdict",
    "Wanted",
    "check_times",
    "locked",
]
