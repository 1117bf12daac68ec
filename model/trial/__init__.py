"""Virtual engines, sound and faulty, and the campaigns in which policies tune them."""
