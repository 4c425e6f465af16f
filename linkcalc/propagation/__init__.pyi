# Written by `python -m tests.typing.stubs` from the module beside it.
from linkcalc.propagation import building_entry as building_entry
from linkcalc.propagation import clutter as clutter
from linkcalc.propagation import compiled as compiled
from linkcalc.propagation import diffraction as diffraction
from linkcalc.propagation import free_space as free_space
from linkcalc.propagation import fresnel as fresnel
from linkcalc.propagation import ground as ground
from linkcalc.propagation import irregular as irregular
from linkcalc.propagation import noise as noise
from linkcalc.propagation import p1812 as p1812
from linkcalc.propagation import refractivity as refractivity
from linkcalc.propagation import two_ray as two_ray
from linkcalc.propagation import vegetation as vegetation
