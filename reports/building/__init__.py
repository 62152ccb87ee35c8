"""A site's systems as models for building automation: Project Haystack and Brick."""
