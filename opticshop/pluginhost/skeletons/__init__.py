"""A small working plugin of each kind: what ``manage.py plugin_new`` writes, with the names replaced.

Each is a package with ``plugin`` (becomes ``src/<module>/__init__.py``) and ``behaviour`` (becomes its tests). They are
real plugins: imported, checked and run by the tests of this project, so what a beginner gets is known to work.
"""
