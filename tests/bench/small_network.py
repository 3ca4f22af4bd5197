"""A small general network with random weights, for comparing times only; it knows nothing.

Layers as in MobileNetV1 at width 1 (Howard et al. 2017, table 1): a 3 x 3 convolution, then
thirteen pairs of a depthwise 3 x 3 and a 1 x 1 convolution, each followed by a rectifier.
"""

import numpy as np
import onnx
from onnx import TensorProto, helper, numpy_helper

# Channels and stride of each pair.
PAIRS = (
    *((64, 1), (128, 2), (128, 1), (256, 2), (256, 1), (512, 2)),
    *((512, 1),) * 5,
    *((1024, 2), (1024, 1)),
)


def network(height, width, seed=0):
    """The network as ONNX bytes; input 1 x 3 x height x width, output 1 x 1000."""
    rng = np.random.default_rng(seed)
    nodes, weights = [], []
    at = "picture"

    def convolve(at, fan_in, fan_out, size, stride, group):
        name = f"w{len(weights)}"
        shape = (fan_out, fan_in // group, size, size)
        scale = np.sqrt(2 / (shape[1] * size * size))
        value = rng.normal(0, scale, shape).astype(np.float32)
        weights.append(numpy_helper.from_array(value, name))
        nodes.append(
            helper.make_node(
                "Conv",
                [at, name],
                [f"c{name}"],
                kernel_shape=[size, size],
                strides=[stride, stride],
                pads=[size // 2] * 4,
                group=group,
            )
        )
        nodes.append(helper.make_node("Relu", [f"c{name}"], [f"r{name}"]))
        return f"r{name}"

    at, channels = convolve(at, 3, 32, 3, 2, 1), 32
    for wider, stride in PAIRS:
        at = convolve(at, channels, channels, 3, stride, channels)
        at, channels = convolve(at, channels, wider, 1, 1, 1), wider
    nodes.append(helper.make_node("GlobalAveragePool", [at], ["mean"]))
    last = rng.normal(0, 0.03, (1000, channels, 1, 1)).astype(np.float32)
    weights.append(numpy_helper.from_array(last, "last"))
    nodes.append(helper.make_node("Conv", ["mean", "last"], ["scores"], kernel_shape=[1, 1]))
    graph = helper.make_graph(
        nodes,
        "small",
        [helper.make_tensor_value_info("picture", TensorProto.FLOAT, [1, 3, height, width])],
        [helper.make_tensor_value_info("scores", TensorProto.FLOAT, [1, 1000, 1, 1])],
        weights,
    )
    model = helper.make_model(graph, opset_imports=[helper.make_opsetid("", 13)], ir_version=8)
    onnx.checker.check_model(model)
    return model.SerializeToString()
