"""The pipe on the seabed: laid by statics, its free spans judged, and what cures them.

::

    section.py     steel, coatings, contents; load cases; stresses
    lay.py         least lay radius, catenary
    ground.py      the profile as the pipe meets it
    onbottom.py    contact of pipe and seabed
    spans.py       free spans of a laid pipe
    frequency.py   natural frequencies
    water.py       currents and waves along the line
    screening.py   limits used, allowable length
    verdict.py     ok, assess, support, not assessed: and why
    cases.py       one load case from seabed to screened spans
    doubt.py       what the survey's uncertainty does to it
    sag.py         axial force gained by sagging
    earthworks.py  rock and trench volumes
    supports.py    the fewest supports
    tables.py      the span list
    study.py       all of it
"""

from corridor.pipe.ground import CrossedAsset
from corridor.pipe.lay import LayAdvice, lay_advice
from corridor.pipe.study import PipeResult, lay_pipe

__all__ = ["CrossedAsset", "LayAdvice", "PipeResult", "lay_advice", "lay_pipe"]
