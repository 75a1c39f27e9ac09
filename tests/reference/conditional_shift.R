# Records what tests/stats/test_paired_shift.py asserts: the conditional model with random effects and exact likelihood,
# by metafor 3.8-1 (R 4.2.2), on its two data sets. Run: Rscript conditional_shift.R
suppressMessages(library(metafor))
options(digits = 10)
bcg <- rma.glmm(measure = "OR", ai = tpos, bi = tneg, ci = cpos, di = cneg, data = dat.bcg, model = "CM.EL")
print(c(bcg$beta, bcg$se, bcg$tau2))
catheters <- rma.glmm(measure = "OR", ai = ai, n1i = n1i, ci = ci, n2i = n2i, data = dat.nielweise2007, model = "CM.EL")
print(c(catheters$beta, catheters$se, catheters$tau2))
