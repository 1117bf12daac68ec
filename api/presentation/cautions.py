"""The cautions that travel with every suggestion.

Ground running: FAA P-8740-13 (run-ups thorough but brief, into the wind). The rest is common
practice, no published source. All defer to the makers' instructions and to local rules.
"""

__all__ = ["BEYOND_A_LIMIT", "DEFERENCE", "GROUND_RUN", "IDLE", "LEAN", "for_stage"]

DEFERENCE = (
    "The engine's and the airframe's instructions, local rules and the licensed person responsible for this "
    "aircraft come before anything said here. Never adjust or experiment with mixture settings in flight."
)
GROUND_RUN = (
    "Tie the aircraft down, chock the wheels, hold the brakes, point it into the wind. Brief everyone on the fire "
    "extinguisher; wear eye and ear protection; nobody beside the engine or near the propeller's plane.",
    "Shut down, ignition off, before touching the needle holder, the idle stop or anything near the propeller. "
    "Refit the locking screw and look for fuel leaks before the next start.",
    "Keep full throttle brief; watch the engine's own limits for cylinder head, oil and exhaust temperature, and let "
    "it cool between runs.",
)
LEAN = (
    "Too lean at full throttle can destroy an engine by detonation within seconds and can stop it after take-off: "
    "if it runs rough, gets hot or falls off in rpm, throttle back and shut down."
)
IDLE = (
    "Hold a higher power for about a minute after idling rich, to clear the plugs (US Army TM 1-1500-204-23-1, "
    "ch. 7), before judging the idle again."
)
BEYOND_A_LIMIT = (
    "A limit of the engine was exceeded: do not run it again before the cause is found and the engine's instructions "
    "say that it may run; they also say what has to be inspected. Hot or overspeeding at full throttle can be "
    "detonation, a lean mixture, a failing baffle, a wrong propeller or a gauge that lies."
)


def for_stage(stage: str, beyond_a_limit: bool = False) -> tuple[str, ...]:
    """Cautions for a stage, the most serious first; every list ends with the deference."""
    first = (BEYOND_A_LIMIT,) if beyond_a_limit else ()
    middle = (LEAN,) if stage == "full_throttle" else (LEAN, IDLE)
    return (*first, *middle, *GROUND_RUN, DEFERENCE)
