"""Links listings of trees with the recordlinkage library, as JSON.

Argument: a file of cases, each with tags, diameters in micrometres and pairs
[located, other, distance in standard deviations]. Out: for each case, of every located listing its
best pair and that pair's probability. The pairs are compared by the library's own comparisons (tag by
Damerau-Levenshtein, diameter by its distance in steps) and weighed by its expectation-conditional
maximisation of the Fellegi-Sunter model, started from its defaults, without any label.
"""

import json
import sys

import pandas
import recordlinkage

with open(sys.argv[1], encoding="utf-8") as file:
    cases = json.load(file)

found = []
for case in cases:
    trees = pandas.DataFrame({"tag": case["tags"], "diameter": [d / 1e4 for d in case["diameters_um"]]})
    pairs = [(a, b) for a, b, _ in case["pairs"]]
    index = pandas.MultiIndex.from_tuples(pairs)
    compare = recordlinkage.Compare()
    compare.string("tag", "tag", method="damerau_levenshtein", threshold=0.75, label="tag")
    compare.numeric("diameter", "diameter", method="step", offset=0.8, label="diameter")
    features = compare.compute(index, trees)
    away = pandas.Series([z for _, _, z in case["pairs"]], index=index)
    features["near"] = (away <= 2.5).astype(float)
    features = features.fillna(0.0).astype(int)
    model = recordlinkage.ECMClassifier(binarize=None)
    model.fit_predict(features)
    best = {}
    for (a, b), p in model.prob(features).items():
        if a not in best or p > best[a][1]:
            best[a] = (b, float(p))
    found.append([[int(a), int(b), p] for a, (b, p) in sorted(best.items())])
json.dump(found, sys.stdout)
