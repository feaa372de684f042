"""What work beside the page needs, loaded once: each piece begins as a copy of a process that holds it.

Loading takes longer than most of the work itself. What reads a stranger's table is not begun so.
"""

from padlab.one_thread import one_thread

one_thread()                                       # before anything that computes: a copy has no threads

import pandas  # noqa: E402, F401

import padlab.bench.made  # noqa: E402, F401
import padlab.decisions.comparison  # noqa: E402, F401
import padlab.decisions.shelf_choice  # noqa: E402, F401
import padlab.decisions.shelf_lot  # noqa: E402, F401
import padlab.decisions.told_apart  # noqa: E402, F401
import padlab.drift.sessions  # noqa: E402, F401
import padlab.report.certificate  # noqa: E402, F401
import padlab.report.cut_labels  # noqa: E402, F401
import padlab.report.cut_list  # noqa: E402, F401
import padlab.report.life_page  # noqa: E402, F401
import padlab.report.pages  # noqa: E402, F401
import padlab.report.touch_page  # noqa: E402, F401
from padlab.report.axes import empty_figure  # noqa: E402

empty_figure(1.0, 1.0)                             # what draws is loaded with the first figure
