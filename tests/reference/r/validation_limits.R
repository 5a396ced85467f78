# Optimism and its limits worked by hand from coxph, concordance and glm, on resamples that Python
# makes too (Park and Miller's, exact; percentiles: the (B + 1)p-th draw). Run from tests/reference/r:
# Rscript validation_limits.R > validation_limits.json
suppressMessages({library(survival); library(MASS); library(jsonlite)})
B <- 60; A <- .05
state <- 20261125
draw <- function(n) { out <- integer(n); for (i in seq_len(n)) { state <<- (16807 * state) %% 2147483647; out[i] <- floor(state / 2147483647 * n) + 1 }; out }
# drawn: rows, or clusters whose rows come together
resample <- function(cl) { if (is.null(cl$id)) draw(cl$n) else { u <- sort(unique(cl$id)); unlist(lapply(u[draw(length(u))], function(k) which(cl$id == k))) } }
lp <- function(x, b) { s <- 0; for (j in seq_along(b)) s <- s + x[, j] * b[j]; s }
shifted <- function(app, there, here) unname(quantile(there, c(A / 2, 1 - A / 2), type = 6) - mean(there - here))
of_optimism <- function(app, there, here) unname(app - quantile(there - here, c(1 - A / 2, A / 2), type = 6))
said <- function(app, there, here, how) list(apparent = app, optimism = mean(there - here), limits = how(app, there, here))
bare <- coxph.control(eps = 1e-12, iter.max = 50, toler.chol = 1e-14)
run <- function(n, id, fit, rank, slope) {
  state <<- 20261125
  every <- seq_len(n); b <- fit(every)
  m <- t(sapply(seq_len(B), function(k) { r <- resample(list(n = n, id = id)); g <- fit(r); c(rank(r, g), rank(every, g), slope(r, g), slope(every, g)) }))
  list(c = said(rank(every, b), m[, 1], m[, 2], shifted), slope = said(slope(every, b), m[, 3], m[, 4], of_optimism))
}
cox_run <- function(x, time, event, ties, id = NULL) run(length(time), id,
  function(r) unname(coef(coxph(Surv(time[r], event[r]) ~ x[r, , drop = FALSE], ties = ties, control = bare))),
  function(r, g) { p <- lp(x, g); unname(concordance(Surv(time[r], event[r]) ~ p[r], reverse = TRUE)$concordance) },
  function(r, g) { p <- lp(x, g); unname(coef(coxph(Surv(time[r], event[r]) ~ p[r], ties = ties, control = bare))) })
auc <- function(y, p) { k <- rank(p); n1 <- sum(y); (sum(k[y == 1]) - n1 * (n1 + 1) / 2) / (n1 * sum(y == 0)) }
logistic_run <- function(x, y, id = NULL) run(length(y), id,
  function(r) unname(coef(glm(y[r] ~ x[r, , drop = FALSE], family = binomial, epsilon = 1e-14, maxit = 60)))[-1],
  function(r, g) auc(y[r], lp(x, g)[r]),
  function(r, g) { p <- lp(x, g)[r]; unname(coef(glm(y[r] ~ p, family = binomial, epsilon = 1e-14, maxit = 60)))[2] })
l <- na.omit(lung[, c("time", "status", "age", "sex", "ph.ecog")]); lx <- as.matrix(l[, c("age", "sex", "ph.ecog")])
m <- Melanoma; mx <- cbind(m$thickness, m$ulcer, m$sex)
b <- birthwt; bx <- as.matrix(b[, c("age", "lwt", "smoke", "ht", "ui")])
k <- colon[colon$etype == 2, ]; k <- na.omit(k[, c("time", "status", "sex", "obstruct", "adhere", "differ", "node4")]); kx <- as.matrix(k[, 3:7])
h <- retinopathy; hx <- cbind(h$age, h$trt, h$risk)
kc <- coxph(Surv(k$time, k$status) ~ kx, control = bare); kk <- concordance(Surv(k$time, k$status) ~ lp(kx, coef(kc)), reverse = TRUE)
one <- function(y, x) { f <- concordance(y ~ x, reverse = TRUE); list(c = unname(f$concordance), se = sqrt(unname(f$var))) }
out <- list(r = R.version.string, packages = list(survival = as.character(packageVersion("survival"))), samples = B,
  lung = cox_run(lx, l$time, l$status == 2, "efron"), lung_breslow = cox_run(lx, round(l$time / 60), l$status == 2, "breslow"),
  melanoma = cox_run(mx, m$time, m$status == 1, "efron"), retinopathy = cox_run(hx, h$futime, h$status == 1, "efron", h$id),
  birthwt = logistic_run(bx, b$low), retinopathy_logistic = logistic_run(hx, as.integer(h$status), h$id),
  colon = list(concordant = unname(kk$count["concordant"]), discordant = unname(kk$count["discordant"]), tied = unname(kk$count["tied.x"])),
  jackknife = list(melanoma_thickness = one(Surv(m$time, m$status == 1), m$thickness), veteran_karno = one(Surv(veteran$time, veteran$status), -veteran$karno), lung_age = one(Surv(l$time, l$status == 2), l$age)))
cat(toJSON(out, digits = I(15), auto_unbox = TRUE), "\n")
