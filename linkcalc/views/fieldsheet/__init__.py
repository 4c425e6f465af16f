"""The field sheet: one page that answers on site, without network and without this library."""

from linkcalc.views.fieldsheet.document import field_sheet_html

__all__ = ["field_sheet_html"]
