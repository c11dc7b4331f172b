"""Small linear circuits: admittances, nodal solution with exact sensitivities, natural modes."""

from twonode.analysis.network.admittance import PartAdmittance, part_admittance
from twonode.analysis.network.nodal import Network, NetworkError
from twonode.analysis.network.state import Modes, StateSpace

__all__ = ["Modes", "Network", "NetworkError", "PartAdmittance", "StateSpace", "part_admittance"]
