"""The smallest useful mixture adjustment for a slide-type throttle body, learned from ground runs."""
