"""What a posterior says of a setting: mixtures, readings to expect, whether it is right, whether it will hold."""
