# mypy: disable-error-code="no-untyped-call"
"""Store a network's weights in 16 bits, which OpenCV widens again as it opens the file.

    python -m trayvision.network.half_precision NETWORK.onnx...

Needs onnx besides trayvision. Nothing is computed in 16 bits: the runtime folds the nodes that
widen the weights when it reads them, so an inspection takes the time and memory it takes with 32.
"""

import argparse
from pathlib import Path

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper

# Smaller ones, a layer's offsets say, weigh nothing and stay exact.
_LEAST_VALUES = 65


def halve(path: Path) -> None:
    """Write a network again with its large float32 weights in IEEE half precision.

    Parameters
    ----------
    path : Path
        An ONNX file; what is in 16 bits already stays as it is.
    """
    model = onnx.load(path)
    graph = model.graph
    kept, widening = [], []
    for tensor in graph.initializer:
        values = numpy_helper.to_array(tensor)
        if values.dtype != np.float32 or values.size < _LEAST_VALUES:
            kept.append(tensor)
            continue
        half = f"{tensor.name}.half"
        kept.append(numpy_helper.from_array(values.astype(np.float16), half))
        widening.append(helper.make_node("Cast", [half], [tensor.name], to=TensorProto.FLOAT))
    layers = list(graph.node)
    del graph.initializer[:], graph.node[:]
    graph.initializer.extend(kept)
    graph.node.extend(widening + layers)
    onnx.checker.check_model(model)
    onnx.save(model, path)


def main() -> None:
    """The command line."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("networks", type=Path, nargs="+")
    for path in parser.parse_args().networks:
        halve(path)


if __name__ == "__main__":
    main()
