"""Settings, routes, Celery, the error handler and the table of access: the only place that knows every app."""
