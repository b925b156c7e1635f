"""What this app tells others: the id under the noun (``{"frame": id}``) and, for a change, the ``fields``."""

FRAME_ADDED = "catalogue.frame_added"
FRAME_CHANGED = "catalogue.frame_changed"
LENS_ADDED = "catalogue.lens_added"
LENS_CHANGED = "catalogue.lens_changed"
SERVICE_ADDED = "catalogue.service_added"
SERVICE_CHANGED = "catalogue.service_changed"
TAX_RATE_ADDED = "catalogue.tax_rate_added"
