"""Run by a Python that has OpenSim: `opensim_arm.py NEUTRAL.sto MOTION.sto FOLDER`.

Builds a chain of torso, radius and hand, each turned in the one before by Z, X, Y (body-fixed), lets OpenSim's IMU
placer put the sensors on it from the neutral pose, and solves inverse kinematics; FOLDER/angles.json gets what came of
it.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import opensim

neutral, motion, folder = sys.argv[1], sys.argv[2], Path(sys.argv[3])
NO_TURN = opensim.Vec3(0)
read = opensim.TimeSeriesTableQuaternion(motion)
labels = list(read.getColumnLabels())
rows = [
    [[read.getRowAtIndex(k).getElt(0, c).get(i) for i in range(4)] for c in range(len(labels))]
    for k in range(read.getNumRows())
]

model = opensim.Model()
parent = model.getGround()
for name in (label.removesuffix("_imu") for label in labels):
    body = opensim.Body(name, 1.0, opensim.Vec3(0), opensim.Inertia(1, 1, 1))
    model.addBody(body)
    transform = opensim.SpatialTransform()
    for k, (axis, letter) in enumerate((((0, 0, 1), "z"), ((1, 0, 0), "x"), ((0, 1, 0), "y"))):
        turn = transform.updTransformAxis(k)
        turn.setCoordinateNames(opensim.ArrayStr(f"{name}_{letter}", 1))
        turn.setAxis(opensim.Vec3(*axis))
        turn.set_function(opensim.LinearFunction(1, 0))
    origin = opensim.Vec3(0)
    model.addJoint(opensim.CustomJoint(f"{name}_joint", parent, origin, NO_TURN, body, origin, NO_TURN, transform))
    parent = body
model.finalizeConnections()
model.printToXML(str(folder / "arm.osim"))

placer = opensim.IMUPlacer()
placer.set_model_file(str(folder / "arm.osim"))
placer.set_orientation_file_for_calibration(neutral)
placer.set_sensor_to_opensim_rotations(NO_TURN)
placer.set_output_model_file(str(folder / "placed.osim"))
assert placer.run()

solver = opensim.IMUInverseKinematicsTool()
solver.set_model_file(str(folder / "placed.osim"))
solver.set_orientations_file(motion)
solver.set_sensor_to_opensim_rotations(NO_TURN)
# The tool's own default stops at 2 s.
solver.set_time_range(0, read.getIndependentColumn()[0])
solver.set_time_range(1, read.getIndependentColumn()[-1])
solver.set_results_directory(str(folder))
solver.set_output_motion_file("angles.mot")
assert solver.run()

found = opensim.TimeSeriesTable(str(folder / "angles.mot"))
told = {
    "labels": labels,
    "rate": read.getTableMetaDataString("DataRate"),
    "time": list(read.getIndependentColumn()),
    "quaternions": rows,
    "solved_time": list(found.getIndependentColumn()),
    "angles_deg": {name: list(found.getDependentColumn(name).to_numpy()) for name in found.getColumnLabels()},
}
(folder / "angles.json").write_text(json.dumps(told), encoding="utf-8")
