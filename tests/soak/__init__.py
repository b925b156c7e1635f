"""A day of a busy shop in minutes: many clients at once against the service as it is really run, watched for leaks."""
