"""The record of a link: one document for the customer's file, as a page that stands alone and as a PDF."""

from linkcalc.views.record.document import record_html
from linkcalc.views.record.pdf import record_pdf

__all__ = ["record_html", "record_pdf"]
