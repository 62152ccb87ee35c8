"""Settings of a press: none of the service's, so that no secret is near text from outside."""

USE_I18N = False
