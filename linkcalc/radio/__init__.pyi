# Written by `python -m tests.typing.stubs` from the module beside it.
from linkcalc.radio import antenna as antenna
from linkcalc.radio import css as css
from linkcalc.radio import feeder as feeder
from linkcalc.radio import fsk as fsk
from linkcalc.radio import receiver as receiver
from linkcalc.radio import signal_level as signal_level
