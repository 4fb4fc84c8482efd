"""Effects pooled into the network's answer: does it hold across sites and seasons?"""

from crosscellar.pooling.groups import pool_each
from crosscellar.pooling.monitored import adjust_monitored
from crosscellar.pooling.multiplicity import adjust
from crosscellar.pooling.pool import pool
from crosscellar.pooling.result import Pooled, set_plotter

__all__ = ["Pooled", "adjust", "adjust_monitored", "pool", "pool_each", "set_plotter"]
