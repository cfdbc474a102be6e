"""What Inspector is held to; the benchmarks are run as modules of this package."""
