# Outcomes of an invented department as `--rows` exports them, judged by survival, cmprsk, npsurv.
# Run from tests/reference/r: Rscript outcomes.R > outcomes.json
# Data: ../data/outcome_*.csv, written by ../write_outcome_exports.py (invented, no real person).
suppressMessages({library(survival); library(cmprsk); library(npsurv); library(jsonlite)})
read <- function(name) read.csv(file.path("..", "data", paste0("outcome_", name, ".csv")))
O <- list()
km <- function(time, event, entry = NULL) {
  s <- survfit((if (is.null(entry)) Surv(time, event) else Surv(entry, time, event)) ~ 1, timefix = FALSE)
  i <- s$n.event > 0
  list(time = s$time[i], at_risk = s$n.risk[i], events = s$n.event[i], estimate = s$surv[i], se = (s$surv * s$std.err)[i]) }
# Kaplan-Meier of the whole and from two years, and the log-rank test between groups
for (name in c("local_failure", "melanoma_death", "metastasis", "cataract", "eye_loss")) {
  d <- read(name); late <- d[d$time_days > 730, ]
  t <- survdiff(Surv(time_days, status == 1) ~ group, d)
  O[[name]] <- list(n = nrow(d), km = km(d$time_days, d$status == 1),
    from_two_years = km(late$time_days - 730, late$status == 1),
    log_rank = list(statistic = t$chisq, df = length(t$n) - 1)) }
# each cause on its own clock, from Nelson-Aalen increments of one survfit a clock
own <- function(name, causes) {
  d <- read(name); left <- ifelse(d$status > 0, d$time_days, Inf)
  days <- pmin(left, pmax(d$vital_known_days, 0)); died <- !is.na(d$death_days) & d$death_days <= days & d$status == 0
  clock <- c(lapply(seq_len(causes), function(k) list(t = d$time_days, e = d$status == k)), list(list(t = days, e = died)))
  last <- min(sapply(clock, function(x) max(x$t)))
  h <- lapply(clock, function(x) { s <- survfit(Surv(x$t, x$e) ~ 1); i <- s$n.event > 0 & s$time <= last; data.frame(t = s$time[i], h = (s$n.event / s$n.risk)[i]) })
  grid <- sort(unique(unlist(lapply(h, `[[`, "t")))); H <- sapply(h, function(x) { v <- numeric(length(grid)); v[match(x$t, grid)] <- x$h; v })
  S <- c(1, cumprod(1 - rowSums(H)))[seq_along(grid)]
  list(time = grid, incidence = unname(apply(H * S, 2, cumsum))) }
O$local_failure$own_clocks <- own("local_failure", 2); O$metastasis$own_clocks <- own("metastasis", 1); O$cataract$own_clocks <- own("cataract", 2); O$eye_loss$own_clocks <- own("eye_loss", 1)
# melanoma death: multi-state survfit, cuminc with Gray's test, and the finegray data set
d <- read("melanoma_death"); f <- factor(d$status, 0:2, c("censored", "melanoma", "other"))
s <- survfit(Surv(d$time_days, f) ~ 1, timefix = FALSE); i <- rowSums(s$n.event) > 0
O$melanoma_death$aalen_johansen <- list(time = s$time[i], incidence = unname(s$pstate[i, 2:3]), se = unname(s$std.err[i, 2:3]))
c1 <- cuminc(d$time_days, d$status); at <- timepoints(c1, c(365, 1826, 2922))$est
O$melanoma_death$cuminc <- list(time = c(365, 1826, 2922), incidence = unname(t(at)))
g <- cuminc(d$time_days, d$status, d$group)$Tests; O$melanoma_death$gray <- list(statistic = unname(g[, "stat"]), df = unname(g[, "df"]))
fg <- finegray(Surv(time_days, f) ~ ., data = data.frame(time_days = d$time_days, f, x = 1), etype = "melanoma")
w <- survfit(Surv(fgstart, fgstop, fgstatus) ~ 1, data = fg, weights = fgwt); j <- w$n.event > 0
O$melanoma_death$finegray <- list(time = w$time[j], incidence = 1 - w$surv[j])
x <- cbind(age_group = as.integer(factor(d$group)) %% 2); r <- crr(d$time_days, d$status, x, gtol = 1e-10, maxiter = 50)
O$melanoma_death$crr <- list(x = unname(x[, 1]), coef = unname(r$coef), se = unname(sqrt(diag(r$var))))
# delayed entry: those treated here enter before day 0
d <- read("delayed"); d <- d[d$entry_days <= 0 | d$time_days > d$entry_days, ]; start <- ifelse(d$entry_days > 0, d$entry_days, -1)
f <- factor(d$status, 0:2, c("censored", "melanoma", "other"))
s <- survfit(Surv(start, d$time_days, f) ~ 1, id = seq_len(nrow(d)), timefix = FALSE, p0 = c(1, 0, 0)); i <- rowSums(s$n.event) > 0
t <- summary(coxph(Surv(start, d$time_days, d$status == 1) ~ factor(d$group), ties = "breslow"))
O$delayed <- list(n = nrow(d), km = km(d$time_days, d$status == 1, start), aalen_johansen = list(time = s$time[i], incidence = unname(s$pstate[i, 2:3])),
  score_test = list(statistic = unname(t$sctest["test"]), df = unname(t$sctest["df"])))
# vision: the loss lies in (last known free, first known event]; NPMLE by npsurv, right-censored by survfit
d <- read("vision_6_60"); d <- d[d$baseline_included == "yes", ]
f <- npsurv(cbind(d$last_known_free_days, ifelse(is.na(d$first_known_event_days), Inf, d$first_known_event_days)), tol = 1e-13, maxit = 10000)
O$vision_6_60 <- list(n = nrow(d), km = km(d$time_days, d$status == 1), npmle = list(lower = f$f$left, upper = f$f$right, mass = f$f$p, log_likelihood = f$ll))
# eye states: multi-state survfit on one clock; own clocks by products of matrices in base R
d <- read("eye_states"); one <- d[d$clock == "one", ]; lab <- paste0("s", 0:4)
p0 <- { b <- one[one$start == 0, ]; as.numeric(table(factor(b$state, 0:4))) / nrow(b) }
s <- survfit(Surv(one$start, one$stop, factor(one$to, c(-1, 0:4), c("censor", lab))) ~ 1, id = one$unit, istate = factor(lab[one$state + 1], lab), p0 = p0, timefix = FALSE)
k <- match(lab, s$states); at <- c(365, 730, 1826, 2922); m <- summary(s, times = at)$pstate[, k]
O$eye_states <- list(p0 = p0, one_clock = list(time = at, probability = unname(m), mean_time_1826 = unname(summary(s, rmean = 1826)$table[k, "rmean"])))
a <- d[d$clock == "examined", ]; v <- d[d$clock == "vital", ]; last <- min(max(a$stop), max(v$stop))
both <- rbind(a, v); grid <- sort(unique(both$stop[both$to >= 0 & both$stop <= last]))
b <- v[v$start == 0, ]; p <- as.numeric(table(factor(b$state, 0:4))) / nrow(b); P <- matrix(0, length(grid), 5)
for (g in seq_along(grid)) { t <- grid[g]; A <- matrix(0, 5, 5)
  for (clock in list(a, v)) { risk <- clock$start < t & clock$stop >= t; ev <- clock[clock$stop == t & clock$to >= 0, ]
    for (r in seq_len(nrow(ev))) { h <- ev$state[r] + 1; A[h, ev$to[r] + 1] <- A[h, ev$to[r] + 1] + 1 / sum(risk & clock$state == ev$state[r]) } }
  for (h in 1:5) { tot <- sum(A[h, ]); if (tot > 1) A[h, ] <- A[h, ] / tot; A[h, h] <- -sum(A[h, ]) }
  p <- p + as.numeric(p %*% A); P[g, ] <- p }
O$eye_states$own_clocks <- list(time = grid, probability = P)
cat(toJSON(list(r = R.version.string, packages = list(survival = as.character(packageVersion("survival")), cmprsk = as.character(packageVersion("cmprsk")), npsurv = as.character(packageVersion("npsurv"))), results = O), auto_unbox = TRUE, digits = I(15), na = "string"), "\n")
