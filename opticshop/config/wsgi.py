import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "opticshop.config.settings.production")
# No request takes longer than this in one statement; jobs and commands may. Said before the settings are read.
os.environ.setdefault("OPTICSHOP_DB_STATEMENT_MS", "30000")
os.environ.setdefault("OPTICSHOP_PROCESS", "opticshop-web")

application = get_wsgi_application()
