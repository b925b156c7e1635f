from .runs import FileNotThere, FormatNotOffered, run_ask, run_file, runs_expire, runs_make

__all__ = ["FileNotThere", "FormatNotOffered", "run_ask", "run_file", "runs_expire", "runs_make"]
