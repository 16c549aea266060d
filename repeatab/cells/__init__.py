"""Cells: any dataframe reduced to counts, means and cross-products that merge without going back to the rows."""

from repeatab.cells.in_parts import merged as merged
from repeatab.cells.reduce import cells_of_arrays as cells_of_arrays
from repeatab.cells.reduce import reduce_to_cells as reduce_to_cells
from repeatab.cells.table import Cells as Cells
from repeatab.cells.table import FloatArray as FloatArray
from repeatab.cells.table import IntArray as IntArray
from repeatab.cells.table import LabelArray as LabelArray
from repeatab.cells.table import sort_and_code as sort_and_code
