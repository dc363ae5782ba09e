"""Fleets with planted faults from a physics model of its own, and the score of what finds them.

The physics here has nothing in common with the demo's: reflections are added as complex phasors at the
coupler, the meter sees a leak of the forward wave and counts in steps, weather acts through phasors too. All
figures are invented; what they are modelled on stands in the project's table of signatures (common practice,
no source). A fleet is made from a seed and a difficulty and nothing else.
"""
