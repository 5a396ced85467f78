# Dose-response at a horizon and over time. Rscript dose_response.R > dose_response.json
# Melanoma (MASS) stands for a cohort: thickness in mm is the "dose", 5 years the horizon.
suppressMessages({library(survival); library(cmprsk); library(MASS); library(sandwich); library(jsonlite)})
out <- list(versions = c(R.version.string, paste("survival", packageVersion("survival")),
  paste("cmprsk", packageVersion("cmprsk")), paste("sandwich", packageVersion("sandwich")),
  paste("MASS", packageVersion("MASS"))))
d <- Melanoma; h <- 1826
status <- c(1, 0, 2)[d$status]
ctl <- glm.control(epsilon = 1e-14, maxit = 100)
# P(uncensored just before t); a censoring at t comes after the events at t
before <- function(time, censored, at) {
  f <- survfit(Surv(time + ifelse(censored, 0.25, 0), censored) ~ 1)
  s <- stepfun(f$time, c(1, f$surv)); s(at - 0.1)
}
at_horizon <- function(reading, adjusted) {
  failed <- status == 1 & d$time <= h; reached <- d$time >= h & !failed
  settled <- status == 2 & d$time < h & reading == "crude"
  censored <- if (reading == "crude") status == 0 else status != 1
  w <- ifelse(failed | reached | settled, 1 / before(d$time, censored, pmin(d$time, h)), 0)
  k <- w > 0; e <- data.frame(y = as.numeric(failed), w = w, dose = d$thickness, age = d$age, ulcer = d$ulcer, year = d$year)[k, ]
  f <- suppressWarnings(glm(if (adjusted) y ~ dose + age + ulcer else y ~ dose, quasibinomial, e, weights = w, control = ctl))
  V <- sandwich(f); b <- coef(f); z <- qnorm(.975)
  fieller <- function(q) { s <- q - b[1]; A <- b[2]^2 - z^2 * V[2, 2]; B <- -2 * (s * b[2] + z^2 * V[1, 2]); C <- s^2 - z^2 * V[1, 1]
    D <- B^2 - 4 * A * C; if (A <= 0 || D < 0) c(s / b[2], NA, NA) else c(s / b[2], sort((-B + c(-1, 1) * sqrt(D)) / (2 * A))) }
  list(coef = unname(b), se = unname(sqrt(diag(V))),
    se_by_year = unname(sqrt(diag(vcovCL(f, cluster = e$year, type = "HC0", cadjust = FALSE)))),
    n = sum(k), events = sum(e$y), effective_n = sum(e$w)^2 / sum(e$w^2), largest_weight = max(e$w),
    d50 = unname(if (adjusted) NA else fieller(0)), d10 = unname(if (adjusted) NA else fieller(qlogis(.1))))
}
for (r in c("net", "crude")) for (a in c(FALSE, TRUE)) out[[paste0(r, if (a) "_adjusted" else "")]] <- at_horizon(r, a)
m <- function(f) { s <- summary(f)$coefficients; list(coef = unname(coef(f)), se = unname(s[, "se(coef)"])) }
cc <- coxph.control(eps = 1e-14, iter.max = 100)
out$cox <- m(coxph(Surv(time, status == 1) ~ thickness, d, control = cc))
out$cox_adjusted <- m(coxph(Surv(time, status == 1) ~ thickness + age + ulcer, d, control = cc))
g <- crr(d$time, status, as.matrix(d[, c("thickness", "age", "ulcer")]), gtol = 1e-12)
out$crr_adjusted <- list(coef = unname(g$coef), se = unname(sqrt(diag(g$var))))
# Beetle mortality, Bliss 1935, Ann Appl Biol 22:134-167, 8 doses of CS2
b <- data.frame(dose = c(1.6907, 1.7242, 1.7552, 1.7842, 1.8113, 1.8369, 1.8610, 1.8839),
  n = c(59, 60, 62, 56, 63, 59, 62, 60), killed = c(6, 13, 18, 28, 52, 53, 61, 60))
for (l in c("logit", "probit")) { f <- glm(cbind(killed, n - killed) ~ dose, binomial(l), b, control = ctl); p <- dose.p(f, p = .5)
  out[[paste0("beetle_", l)]] <- list(coef = unname(coef(f)), se = unname(sqrt(diag(vcov(f)))), deviance = deviance(f), d50 = unname(as.numeric(p)), d50_se = as.numeric(attr(p, "SE"))) }
# menarche (MASS): Milicer and Szczotka 1966, age in years as the dose
f <- glm(cbind(Menarche, Total - Menarche) ~ Age, binomial, menarche, control = ctl); p <- dose.p(f, p = .5)
out$menarche <- list(coef = unname(coef(f)), se = unname(sqrt(diag(vcov(f)))), deviance = deviance(f), d50 = unname(as.numeric(p)), d50_se = as.numeric(attr(p, "SE")))
# straight-line R2 and the normal propensity weights of thickness on age and ulcer
f <- lm(thickness ~ age + ulcer, d); s <- sqrt(mean(residuals(f)^2)); s0 <- sqrt(mean((d$thickness - mean(d$thickness))^2))
w <- dnorm(d$thickness, mean(d$thickness), s0) / dnorm(d$thickness, fitted(f), s)
out$propensity <- list(r2 = summary(f)$r.squared, weight = head(unname(w), 10), effective_n = sum(w)^2 / sum(w^2))
cat(toJSON(out, digits = I(15), auto_unbox = TRUE, pretty = TRUE))
