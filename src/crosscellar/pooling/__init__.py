"""Effects pooled into the network's answer: does it hold across sites and seasons?"""

from crosscellar.pooling.multiplicity import adjust
from crosscellar.pooling.pool import pool
from crosscellar.pooling.result import Pooled, set_plotter

__all__ = ["Pooled", "adjust", "pool", "set_plotter"]
