"""(b) The same endpoints by Django REST framework as its tutorial writes them: ModelViewSet, ModelSerializer, pages by
number, filters by django-filter, over the same tables.

Left as the framework has it: field-by-field serializers made anew for each request, ``count(*)`` for each page, the
JSON renderer beside the browsable one, the middleware of ``startproject``. Better than its defaults, so that it is no
straw man: related rows are fetched with the page (select_related, prefetch_related), the connection to the database is
kept. It leaves out what ``raw`` leaves out, the doubts about a prescription too.
"""
