"""What all HTTP doors share: problem details, repeats, paging, edits, limits."""
