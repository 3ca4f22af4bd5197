"""The judge of the tests, in a module that a spawned process can import."""

from stand_ins import ShadeJudge


def judge(setup, toolpath, weights):
    return ShadeJudge()
