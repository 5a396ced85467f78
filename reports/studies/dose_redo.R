# The main figures of a dose-response study, done again from its exported table.
# In the folder of the export: Rscript redo.R   (or source it; Rscript redo.R OUT.json keeps 15 digits)
# Needs survival, which comes with R; cmprsk for Fine-Gray, jsonlite for JSON. Where the study took
# Firth's form (few events), its row here is firth-cox, with profile limits; the others' are Wald's.
horizon_years <- @horizon@
level <- @level@
adjust <- c(@adjust@)
suppressMessages(library(survival))

d <- read.csv("dose_response.csv", na.strings = "", colClasses = c(patient_id = "character"))
for (name in adjust) if (is.character(d[[name]]))  # first level in plain order is the reference
  d[[name]] <- factor(d[[name]], levels = sort(unique(d[[name]]), method = "radix"))
whole <- d[if (length(adjust)) complete.cases(d[adjust]) else TRUE, ]
rhs <- function(first, adjusted) paste(c(first, if (adjusted) adjust), collapse = " + ")
z <- qnorm((1 + level) / 2)
row <- function(model, rows, adjusted, n, events, coef, se, lower = coef - z * se, upper = coef + z * se)
  data.frame(model, rows, adjusted, n, events, coef, se, ratio = exp(coef), lower = exp(lower), upper = exp(upper))

# Cox, Efron's ties; standard errors summed by patient where one has several units
hazard <- function(rows, which, adjusted) {
  late <- any(!is.na(rows$entry_years))
  rows$entry <- ifelse(is.na(rows$entry_years), -1, rows$entry_years)
  left <- if (late) "Surv(entry, time_years, status == 1)" else "Surv(time_years, status == 1)"
  repeated <- anyDuplicated(rows$patient_id) > 0
  f <- as.formula(paste(left, "~", rhs("dose_step", adjusted)))
  control <- coxph.control(eps = 1e-12, toler.chol = 1e-14, iter.max = 60, timefix = FALSE)
  fit <- if (repeated) coxph(f, rows, cluster = patient_id, control = control) else coxph(f, rows, control = control)
  s <- summary(fit)$coefficients
  row("cox", which, adjusted, nrow(rows), sum(rows$status == 1), s["dose_step", "coef"],
    s["dose_step", if (repeated) "robust se" else "se(coef)"])
}

# Firth's Cox: the partial likelihood (Breslow's ties) plus half the log determinant of its information,
# maximised as it stands; limits where its profile has fallen by half a chi-square quantile
firth <- function(rows, which, adjusted) {
  entry <- ifelse(is.na(rows$entry_years), -1, rows$entry_years)
  left <- Surv(entry, rows$time_years, rows$status == 1)
  if (all(entry < 0)) left <- Surv(rows$time_years, rows$status == 1)
  X <- scale(model.matrix(as.formula(paste("~", rhs("dose_step", adjusted))), rows)[, -1, drop = FALSE])
  at <- function(b) suppressWarnings(coxph(left ~ X, init = b, ties = "breslow",
    control = coxph.control(iter.max = 0, timefix = FALSE, toler.chol = 1e-14)))
  penalised <- function(b) {  # far out exp() overflows: nothing to climb there
    value <- tryCatch({ f <- at(b); f$loglik[1] - as.numeric(determinant(f$var)$modulus) / 2 }, error = function(e) NA)
    if (is.finite(value)) value else -1e10
  }
  climb <- function(b, held = numeric(0)) {  # highest over b, the dose's coefficient held where it is given
    if (length(b) == 0) return(list(par = b, value = penalised(held)))
    for (k in 1:4) b <- (o <- optim(b, function(x) -penalised(c(held, x)), method = "BFGS",
      control = list(reltol = 1e-15, ndeps = rep(1e-4, length(b)))))$par
    list(par = b, value = -o$value)
  }
  best <- climb(rep(0, ncol(X)))
  near <- optimize(function(v) climb(best$par[-1], v)$value, best$par[1] + c(-0.01, 0.01), maximum = TRUE, tol = 1e-10)
  top <- near$maximum
  rest <- climb(best$par[-1], top)$par
  short <- function(v) near$objective - climb(rest, v)$value - qchisq(level, 1) / 2
  reach <- function(way) {
    far <- top + way
    while (short(far) < 0) far <- far + way
    uniroot(short, sort(c(top, far)), tol = 1e-9)$root
  }
  step <- attr(X, "scaled:scale")[[1]]
  row("firth-cox", which, adjusted, nrow(rows), sum(rows$status == 1), top / step,
    sqrt(at(c(top, rest))$var[1, 1]) / step, reach(-1) / step, reach(1) / step)
}

# Fine-Gray on one clock; who is followed from a later day is left out
subdistribution <- function(rows, which, adjusted) {
  rows <- rows[is.na(rows$entry_years), ]
  X <- model.matrix(as.formula(paste("~", rhs("dose_step", adjusted))), rows)[, -1, drop = FALSE]
  fit <- cmprsk::crr(rows$end_years, rows$end_status, X, gtol = 1e-10, maxiter = 60)
  row("fine-gray", which, adjusted, nrow(rows), sum(rows$end_status == 1), fit$coef[[1]], sqrt(fit$var[1, 1]))
}

# Kaplan-Meier of remaining uncensored just before each day asked; events go before censorings
uncensored_before <- function(day, censored, at) {
  fit <- survfit(Surv(day + ifelse(censored, 0.25, 0), censored) ~ 1, timefix = FALSE)
  stepfun(fit$time, c(1, fit$surv))(ceiling(at) - 0.5)  # a horizon may end within a day
}

# Logistic at the horizon, weighted by the inverse of it, with the sandwich by patient
at_horizon <- function(reading, adjusted) {
  rows <- (if (adjusted) whole else d)
  rows <- rows[is.na(rows$entry_years), ]
  net <- reading == "net"
  day <- round(365.25 * (if (net) rows$time_years else rows$end_years))
  status <- if (net) rows$status else rows$end_status
  h <- 365.25 * horizon_years
  failed <- status == 1 & day <= h
  known <- failed | day >= h | (!net & status > 1)
  censored <- if (net) status != 1 else status == 0
  w <- 1 / uncensored_before(day, censored, pmin(day, h))
  X <- model.matrix(as.formula(paste("~", rhs("dose", adjusted))), rows)[known, , drop = FALSE]
  y <- as.numeric(failed)[known]; w <- w[known]
  fit <- suppressWarnings(glm.fit(X, y, weights = w, family = quasibinomial(), control = glm.control(1e-14, 100)))
  p <- fit$fitted.values
  bread <- solve(crossprod(X * sqrt(w * p * (1 - p))))
  score <- rowsum(X * (w * (y - p)), rows$patient_id[known])
  V <- bread %*% crossprod(score) %*% bread
  which <- if (adjusted) "complete" else "all with a dose"
  row(paste("logistic at the horizon,", reading), which, adjusted, length(y), sum(y),
    fit$coefficients[["dose"]], sqrt(V["dose", "dose"]))
}

found <- list(hazard(d, "all with a dose", FALSE))
if (length(adjust)) found <- c(found, list(hazard(whole, "complete", FALSE), hazard(whole, "complete", TRUE)))
found <- c(found, list(firth(d, "all with a dose", FALSE)))
if (length(adjust)) found <- c(found, list(firth(whole, "complete", FALSE), firth(whole, "complete", TRUE)))
if (any(d$end_status > 1) && requireNamespace("cmprsk", quietly = TRUE)) {
  found <- c(found, list(subdistribution(d, "all with a dose", FALSE)))
  if (length(adjust)) found <- c(found, list(subdistribution(whole, "complete", FALSE), subdistribution(whole, "complete", TRUE)))
}
for (reading in c("net", "crude")) for (adjusted in c(FALSE, if (length(adjust)) TRUE))
  found <- c(found, list(tryCatch(at_horizon(reading, adjusted), error = function(e) NULL)))
found <- do.call(rbind, found)
out <- commandArgs(trailingOnly = TRUE)
if (length(out)) {
  versions <- c(R.version.string, paste("survival", packageVersion("survival")), paste("cmprsk", packageVersion("cmprsk")))
  writeLines(jsonlite::toJSON(list(versions = versions, rows = found), digits = I(15), pretty = TRUE), out[1])
} else print(found, digits = 5, row.names = FALSE)
