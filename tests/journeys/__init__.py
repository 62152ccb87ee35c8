"""End to end: real processes, real HTTP, a real worker; some of them killed."""
