"""What a person reads before a motor may move."""

from __future__ import annotations

from padlab.capture.rig import RigFile


def motor_cautions(rig: RigFile, title: str, most_n: float) -> list[str]:
    """The cautions of this rig's motor for a procedure of this title, and all that will be sent to it.

    Parameters
    ----------
    rig : RigFile
        With a motor and its watchdog (:func:`padlab.capture.motor.check_drives`).
    most_n : float
        The hardest press of the procedure [N].
    """
    motor = rig.motor
    assert motor is not None
    watchdog = motor.watchdog
    assert watchdog is not None
    if watchdog.says is not None:
        first = [f"  First its watchdog is tried (it must stop the motor within {watchdog.within}), then it "
                 "backs off a little in air; only then it presses."]
    else:
        first = ["  ITS WATCHDOG IS NOT TRIED: the rig file does not say what the motor says then (says). "
                 "Let it only if you have proved it by hand: pull the cable while it runs in air.",
                 "  First it backs off a little in air; only then it presses."]
    asked = [motor.identity.ask] if motor.identity is not None and motor.identity.ask else []
    sent = " | ".join([*asked, *motor.setup, *motor.start])
    return [
        f"THE MOTOR OF {rig.name} WILL MOVE BY ITSELF: {title}; up to {most_n:g} N, no faster than "
        f"{motor.fastest}, no farther than {motor.travel_limit}.",
        "  Fingers, sleeves and tools out from between the anvils until it has stopped; guard closed.",
        "  The stop switch that cuts the motor's power is within your reach, and you stay beside it.",
        "  Hard end stops and the cell's own stop are set. padlab is no safety device.",
        "  Local rules and licensed practice come first.",
        f"  Sent before it moves: {sent or 'nothing'}. It moves by: {motor.move}. To end: {motor.stop} | "
        f"{motor.safe}. What these do only your controller knows: read a file that is not yours first.",
        *first,
    ]
