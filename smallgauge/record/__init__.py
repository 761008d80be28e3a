"""The papers that pass between the passes."""
