"""Sparkplug B 3.0 (Eclipse Sparkplug, ISO/IEC 20237) as a host application sees it, without input or output.

Messages go in with the time they came, events come out: what devices said, who is alive, whom to ask for a
rebirth, what cannot be used. The schema `sparkplug_b.proto` is the one that Eclipse Tahu publishes under the
Eclipse Public License 2.0; its header stands in the file.
"""
