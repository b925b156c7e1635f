"""The Celery application; the schedule is made from the declared duties."""

from __future__ import annotations

import os
from typing import Any

from celery import Celery

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "opticshop.config.settings.production")

app = Celery("opticshop")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()


@app.on_after_finalize.connect
def schedule_duties(sender: Celery, **kwargs: Any) -> None:
    from opticshop.core.duties import all_duties
    from opticshop.core.tasks import run_duty_task

    for each in all_duties():
        sender.add_periodic_task(each.every_seconds, run_duty_task.s(each.name), name=each.name, expires=60)
