import gc
import os

from django.core.wsgi import get_wsgi_application

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "opticshop.config.settings.production")
# No request takes longer than this in one statement; jobs and commands may. Said before the settings are read.
os.environ.setdefault("OPTICSHOP_DB_STATEMENT_MS", "30000")
os.environ.setdefault("OPTICSHOP_PROCESS", "opticshop-web")

application = get_wsgi_application()

# What stands now stays until the end: it need not be looked through again while answers of many rows are made. A cycle
# that a request leaves behind is still found, some time later.
gc.collect()
gc.freeze()
gc.set_threshold(20_000, 20, 20)
