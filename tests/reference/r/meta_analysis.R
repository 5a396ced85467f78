# Random-effects pooling by metafor and its transformations of proportions; prints JSON.
# Data: dat.pritz1997 (metadat): events and n of 14 series, Pritz 1997; dat.bcg (metadat): risk ratios
# of 13 trials, Colditz et al., JAMA 1994;271:698. "edges" is made up.
# Run: Rscript tests/reference/r/meta_analysis.R > tests/reference/r/meta_analysis.json
suppressMessages({library(metafor); library(jsonlite)})
d <- metadat::dat.pritz1997
b <- metadat::dat.bcg
fits <- list()
effects <- list()
keep <- function(data, measure, es) {
  effects[[length(effects) + 1]] <<- list(data = data, measure = measure, yi = as.numeric(es$yi), vi = es$vi)
  for (method in c("EE", "DL", "REML")) for (test in c("z", "knha")) {
    f <- rma(yi, vi, data = es, method = method, test = test, control = list(threshold = 1e-13, maxiter = 5000))
    p <- predict(f)
    fits[[length(fits) + 1]] <<- list(data = data, measure = measure, method = method, test = test,
      estimate = as.numeric(f$beta), se = f$se, lower = f$ci.lb, upper = f$ci.ub, p = f$pval,
      tau2 = f$tau2, i2 = f$I2 / 100, q = f$QE, q_p = f$QEp,
      prediction_lower = if (is.null(p$pi.lb)) NA else p$pi.lb, prediction_upper = if (is.null(p$pi.ub)) NA else p$pi.ub)
  }
}
for (m in c("PLO", "PAS", "PFT")) keep("pritz1997", m, escalc(m, xi = xi, ni = ni, data = d))
keep("bcg", "RR", escalc("RR", ai = tpos, bi = tneg, ci = cpos, di = cneg, data = b))
small <- data.frame(xi = c(0, 3, 7, 12), ni = c(9, 20, 7, 40))
for (m in c("PLO", "PAS", "PFT")) keep("edges", m, escalc(m, xi = xi, ni = ni, data = small))
back <- escalc("PFT", xi = xi, ni = ni, data = small)
cat(toJSON(list(r = R.version.string, packages = list(metafor = as.character(packageVersion("metafor"))),
  pritz1997 = list(events = d$xi, n = d$ni), edges = list(events = small$xi, n = small$ni),
  inverse_freeman_tukey = list(x = c(0.3, 0.6, 1.2), n = c(10, 25, 80), p = transf.ipft(c(0.3, 0.6, 1.2), c(10, 25, 80)),
    x_pooled = 0.6, p_pooled = transf.ipft.hm(0.6, targs = list(ni = small$ni))),
  effects = effects, fits = fits), auto_unbox = TRUE, digits = I(15), na = "null"), "\n")
