"""A plumbing that other tests share: its pump runs past the end of its curve."""

SHORT = """
system: A pump whose curve ends early, and no valve, invented
units: metric
surfaces: {sump: 0 m, display: 0.3 m}
pumps: {p: {curve: [0 L/h at 4 m, 500 L/h at 3.8 m, 1000 L/h at 3.5 m], ports: 1 in NPT male}}
runs:
  line: {from: sump, to: display, size: 1 in sch 40 PVC, parts: [pump p, adapter NPT female x socket, pipe 2 m]}
targets: {line: at least 900 L/h}
"""
