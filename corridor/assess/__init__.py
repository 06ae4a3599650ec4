"""Line + seabed + layers -> numbers."""

from corridor.assess.assess import assess
from corridor.assess.cautions import CAUTIONS, NOT_ASSESSED

__all__ = ["CAUTIONS", "NOT_ASSESSED", "assess"]
