# Yardstick: what one R process of a benchmark does; it prints the same lines as tasks.py.
# lme4 fits mixed models, pbkrtest gives Kenward-Roger tests of them; both are general-purpose packages.
suppressMessages(library(lme4))
arguments <- commandArgs(trailingOnly = TRUE)
task <- arguments[1]
data <- read.csv(arguments[2])
for (name in intersect(c("rig", "pad_set", "day", "lot"), names(data))) data[[name]] <- factor(data[[name]])
model <- as.formula(arguments[3])
say <- function(...) cat(..., "\n")
clock <- function(call, least, longest = 2) {
  spent <- 0; calls <- 0
  while (calls < least || (spent < longest && calls < 50)) {
    clocked <- system.time(found <- call())
    times <- 1
    # system.time counts in milliseconds: short calls are timed ten at a time.
    if (clocked[["elapsed"]] < 0.05) {
      times <- 10
      clocked <- system.time(for (i in 1:times) found <- call())
    }
    took <- clocked[["elapsed"]] / times
    say("seconds", took, (clocked[["user.self"]] + clocked[["sys.self"]]) / times)
    spent <- spent + took; calls <- calls + 1
    if (took > 20) break
  }
  found
}
quiet <- function(...) suppressWarnings(suppressMessages(lmer(...)))
if (task == "fit") {
  found <- clock(function() quiet(model, data), 3)
  say("value loglik", format(as.numeric(logLik(found)), digits = 17))
} else {
  suppressMessages(library(pbkrtest))
  full <- quiet(model, data)
  found <- clock(function() KRmodcomp(full, matrix(c(0, 1, 0, 0), 1)), 1)
  say("value df", format(found$test["Ftest", "ddf"], digits = 17))
  say("value f", format(found$test["Ftest", "stat"], digits = 17))
}
peak <- grep("VmHWM", readLines("/proc/self/status"), value = TRUE)
say("peak_mib", as.numeric(strsplit(trimws(sub("VmHWM:", "", peak)), " ")[[1]][1]) / 1024)
say("version", paste0("R ", getRversion(), ", lme4 ", packageVersion("lme4"), ", pbkrtest ",
                      if (task == "fit") "not used" else packageVersion("pbkrtest")))
