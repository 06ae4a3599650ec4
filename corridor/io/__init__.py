"""Files in: project files, rasters, vector layers, alignments.

Nothing but existing regular files is opened (:mod:`corridor.io.guard`), and
no input file is ever changed.
"""

from corridor.io import _environment  # noqa: F401  (first: before GDAL and PROJ load)
