"""The engine of every comparison of levels of a factor: layout, views of the scatter, claims, planning, pages."""
