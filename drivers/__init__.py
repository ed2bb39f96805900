"""Talking to instruments: wires, number texts, dialects, one class a kind of instrument."""
