"""What this app tells others. Payloads carry ids and counts only: ``{"import": id, "kind": ...}``; what the rows made
is told by the apps it was made in."""

IMPORT_UPLOADED = "imports.uploaded"
IMPORT_STARTED = "imports.started"
IMPORT_STOPPED = "imports.stopped"
IMPORT_CANCELLED = "imports.cancelled"
IMPORT_FINISHED = "imports.finished"
