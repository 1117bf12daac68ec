"""Virtual engines that break an assumption or a part, fleets of them, and the campaigns in which policies tune them."""
