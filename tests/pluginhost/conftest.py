"""The OpenAPI document of this app's routes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from drf_spectacular.drainage import GENERATOR_STATS
from drf_spectacular.generators import SchemaGenerator
from drf_spectacular.settings import spectacular_settings
from rest_framework.routers import SimpleRouter

from opticshop.pluginhost.api import routes

HOOKS = ["drf_spectacular.hooks.postprocess_schema_enums", "opticshop.pluginhost.openapi.calculators_documented"]


@pytest.fixture
def document() -> Callable[[], tuple[dict[str, Any], list[str]]]:
    """The document of this app's routes alone, with the hook that the settings name for the whole service."""
    router = SimpleRouter()
    for prefix, viewset in routes:
        router.register(f"api/v1/{prefix}", viewset, basename=prefix)

    def generated():
        GENERATOR_STATS.reset()
        spectacular_settings.apply_patches({"POSTPROCESSING_HOOKS": HOOKS})
        try:
            schema = SchemaGenerator(patterns=router.urls).get_schema(request=None, public=True)
        finally:
            spectacular_settings.clear_patches()
        warnings = [*GENERATOR_STATS._warn_cache, *GENERATOR_STATS._error_cache]
        return schema, warnings

    return generated
