"""The demo: an invented lab, its clinics and eight cases, with record sets made from phantoms."""

from seed_data.demo.scenario import Scenario, load_scenario

__all__ = ["Scenario", "load_scenario"]
