"""The cautions that travel with every suggestion.

Ground running: FAA P-8740-13 (run-ups thorough but brief, into the wind). The rest is common
practice, no published source. All defer to the makers' instructions and to local rules.
"""

__all__ = ["BEYOND_A_LIMIT", "DEFERENCE", "GROUND_RUN", "IDLE", "LEAN", "for_stage"]

DEFERENCE = (
    "The instructions of engine and airframe, local rules and the licensed person responsible for this aircraft come "
    "first. Never adjust or experiment with mixture settings in flight."
)
GROUND_RUN = (
    "Tie the aircraft down, chock the wheels, hold the brakes and point it into the wind. Brief everyone on the fire "
    "extinguisher. Wear eye and ear protection. Keep everyone away from the engine and the propeller's plane.",
    "Shut down and switch the ignition off before you touch needle holder, idle stop screw or propeller. Refit the "
    "locking screw and look for fuel leaks before the next start.",
    "Keep full throttle brief. Watch the engine limits for cylinder head, oil and exhaust temperature. Let the engine "
    "cool between runs.",
)
LEAN = (
    "Too lean at full throttle can destroy an engine by detonation within seconds. It can stop the engine after "
    "take-off. If the engine runs rough, gets hot or loses rpm: throttle back and shut down."
)
IDLE = (
    "After a rich idle, hold a higher power for about a minute to clear the plugs. Then judge the idle again (US Army "
    "TM 1-1500-204-23-1, ch. 7)."
)
BEYOND_A_LIMIT = (
    "An engine limit was exceeded. Do not run the engine until you know the cause and its instructions allow another "
    "run. They also say what to inspect. Heat or overspeed at full throttle can mean detonation or a lean mixture. "
    "Other causes are a failing baffle, a wrong propeller or a wrong gauge."
)


def for_stage(stage: str, beyond_a_limit: bool = False) -> tuple[str, ...]:
    """Cautions for a stage, the most serious first; every list ends with the deference."""
    first = (BEYOND_A_LIMIT,) if beyond_a_limit else ()
    middle = (LEAN,) if stage == "full_throttle" else (LEAN, IDLE)
    return (*first, *middle, *GROUND_RUN, DEFERENCE)
