"""The demo: an invented job from its schedule to the issued report, through the public doors only."""
