# Rubin's rules by mice::pool.scalar, Nelson-Aalen by survival::survfit; prints JSON.
# Run from tests/reference/r: Rscript imputation.R > imputation.json
suppressMessages({library(mice); library(survival); library(jsonlite)})
Q <- c(0.41, 0.55, 0.36, 0.62, 0.47); U <- c(0.031, 0.029, 0.035, 0.030, 0.033)
P <- lapply(list(list(n = Inf, k = 1), list(n = 80, k = 3)), function(a) { p <- pool.scalar(Q, U, n = a$n, k = a$k); c(list(n = if (is.finite(a$n)) a$n else "Inf", k = a$k), p[c("qbar", "ubar", "b", "t", "df", "r", "fmi")]) })
l <- na.omit(lung[, c("time", "status")]); l$d <- as.integer(l$status == 2)
cat(toJSON(list(r = R.version.string, packages = list(mice = as.character(packageVersion("mice")), survival = as.character(packageVersion("survival"))), estimates = Q, variances = U, pooled = P, nelson_aalen_lung = with(survfit(Surv(time, d) ~ 1, l), cumhaz[match(l$time, time)])), auto_unbox = TRUE, digits = I(15)), "\n")
