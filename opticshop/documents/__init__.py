"""Papers and drawings: pure functions from frozen dataclasses to PDF bytes or SVG text. No Django, no clock.

``receipt.receipt_pdf(ReceiptData) -> bytes``, ``job_ticket.ticket_pdf(TicketData) -> bytes`` and
``layout.layout_svg(LayoutData) -> str``. The same data gives the same bytes.
"""
