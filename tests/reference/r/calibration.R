# Calibration of a Cox model at a horizon with the optimism taken off: rms::calibrate, groups of
# predicted survival against Kaplan-Meier. Rscript calibration.R > calibration.json
suppressMessages({library(survival); library(rms); library(jsonlite)})
out <- list(versions = c(R.version.string, paste("survival", packageVersion("survival")), paste("rms", packageVersion("rms"))))
d <- na.omit(lung[, c("time", "status", "age", "sex", "ph.ecog")]); d$event <- d$status == 2
run <- function(fo, data, u, m, B) {
  f <- cph(fo, data, x = TRUE, y = TRUE, surv = TRUE, time.inc = u)
  set.seed(20261125)
  invisible(capture.output(k <- suppressWarnings(calibrate(f, u = u, cmethod = "KM", m = m, B = B))))
  as.data.frame(unclass(k))
}
u <- 365
k <- run(Surv(time, event) ~ age + sex + ph.ecog, d, u, 56, 1000)
out$lung <- list(horizon = u, n = k$n, predicted = 1 - k$mean.predicted, observed = 1 - k$KM,
  optimism = k$mean.optimism, corrected = 1 - k$KM.corrected, std_err = k$std.err)
f <- coxph(Surv(time, event) ~ age + sex + ph.ecog, d, ties = "efron")
out$lung_risk <- 1 - exp(-head(predict(f, newdata = transform(d, time = u), type = "expected"), 6))
cat(toJSON(out, digits = I(15), auto_unbox = TRUE, pretty = TRUE))
