from .runs import FileNotThere, run_ask, run_file, runs_expire, runs_make

__all__ = ["FileNotThere", "run_ask", "run_file", "runs_expire", "runs_make"]
