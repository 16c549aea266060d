"""Cell files: the cells of a laboratory's results, so that it can take part without handing over the results.

In: Cells, or a file of them, or a table of counts, means and standard deviations.  Out: the file's bytes, or
CellTable.  Not here: which columns make a cell (the caller says), merging (cells).
"""

from repeatab.cell_files.reading import read_cell_file as read_cell_file
from repeatab.cell_files.sharing import cells_to_share as cells_to_share
from repeatab.cell_files.sharing import merged_to_share as merged_to_share
from repeatab.cell_files.summary import summary_cells as summary_cells
from repeatab.cell_files.table import CellTable as CellTable
from repeatab.cell_files.writing import cell_file_bytes as cell_file_bytes
from repeatab.cell_files.writing import is_cell_file as is_cell_file
