"""Backups: one file that holds the database, the files beside it and a manifest by which both can be proven.

``making`` makes and reads back, ``restoring`` proves everything beside the installation before it takes its place;
``databases`` knows SQLite and PostgreSQL, ``digests`` what a table holds, ``archive`` and ``sealed`` the file itself.
docs/backups.md is for whoever runs the service.
"""
