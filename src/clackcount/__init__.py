"""clackcount: waste-valve slams of a hydraulic ram, counted from a phone recording."""

__version__ = "0.1.0"
