"""An Outcome made visible: figures, page, workbook, JSON, terminal lines. It judges nothing."""
