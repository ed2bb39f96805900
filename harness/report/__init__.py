"""Reports: pages that are opened anywhere, printed and kept."""
