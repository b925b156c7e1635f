"""What a person may ask of us about their data, and how long what is kept: copies, erasure, restriction."""
