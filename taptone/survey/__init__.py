"""What surrounds the taps of one visit: the panels, where their stations lie, what structure they cross.

- :func:`taptone.survey.panel.parse_panel`: the text of a panel file → a :class:`~taptone.types.Panel`
- :func:`taptone.survey.panel.on_structure`: the declared structure at a point, if any
- :func:`taptone.survey.lattice.lay`, :func:`~taptone.survey.lattice.refined`: where stations lie
- :func:`taptone.survey.plan.chance_touched`: how likely a grid touches a patch
- :func:`taptone.survey.typical.written`: a panel → the text of a panel file

Nothing is imported here, so that what a command does not use is not loaded.
"""

__all__ = ["panel"]
